"""A delivery note as a PDF to go with the metal and be signed for."""

from __future__ import annotations

from config.paper_fonts import FONT
from lots.queries.delivery_note import DeliveredLot, DeliveryDocument
from lots.units import ug_to_g
from reports.conventions import OUNCE_RULE, ounces_of
from reports.exports.paper import Paper
from reports.exports.tables import local


def delivery_note_pdf(document: DeliveryDocument) -> bytes:
    """The note as PDF bytes."""
    title = f"Delivery note {document.code}"
    paper = Paper(
        title,
        author=document.house,
        about=document.code,
        made_at=document.delivered_at,
        heading=f"{title}: {document.kind.lower()}",
    )
    paper.facts(
        [
            ("To", document.party_name),
            ("Left", f"{local(document.delivered_at):%Y-%m-%d %H:%M}"),
            ("Carrier", document.carrier),
            ("Note", document.note),
        ]
    )
    metal = "Metal by the book, g"
    columns = (("Lot", 26), ("What", 40), ("Mass, g", -28), (metal, 46), ("Bar", 50))
    paper.ruled(columns, [_row(each) for each in document.lots])
    paper.set_font(FONT, "B", 10)
    for metal, mass_ug in document.metals.items():
        paper.say(f"{metal}: {ug_to_g(mass_ug):,f} g = {ounces_of(mass_ug):,f} ozt", 6)
    paper.say(f"Together: {ug_to_g(document.mass_ug):,f} g", 6)
    if document.withheld:
        paper.say(document.withheld, 5)
    paper.ln(2)
    paper.small_print((OUNCE_RULE, document.local_law))
    paper.to_sign((f"Handed over by {document.delivered_by}", "Received by"))
    return paper.in_bytes()


def _row(each: DeliveredLot) -> list[str]:
    what = f"{each.form} {each.description}".strip()
    if each.taken_back:
        what += "\n(taken back; not counted below)"
    mass = f"{ug_to_g(each.mass_ug):,f}"
    if each.weighed_ug is not None:
        mass += f"\nat the door {ug_to_g(each.weighed_ug):,f}"
    metals = "\n".join(f"{metal} {ug_to_g(ug):,f}" for metal, ug in each.metals.items())
    return [each.lot, what, mass, metals, _bar(each)]


def _bar(each: DeliveredLot) -> str:
    bar = each.bar
    if bar is None:
        return "-"
    fine = "no fine weight stated" if bar.fine_ozt is None else f"{bar.fine_ozt:f} ozt fine"
    return "\n".join(
        [
            bar.mark,
            f"{bar.gross_ozt:f} ozt gross, {bar.metal} {bar.fineness_ppt:f} ‰, {fine}",
            bar.gross_rule,
            bar.fine_rule,
        ]
    )
