"""A settlement as a PDF to print and sign: A4, with page numbers and every line's formula."""

from __future__ import annotations

from config.paper_fonts import FONT
from reports.exports.paper import Paper
from reports.exports.tables import local
from reports.queries.lot.settlement_statement import DocumentLine, SettlementDocument


def settlement_pdf(document: SettlementDocument) -> bytes:
    """The statement as PDF bytes."""
    paper = Paper(
        f"Settlement {document.code}",
        author=document.house,
        about=document.code,
        made_at=document.prepared_at,
        heading=f"{document.kind} settlement {document.code}",
    )
    rows = [
        ("State", document.state),
        ("To", document.customer_name),
        ("Lot", f"{document.lot} {document.lot_description}".strip()),
        ("Terms", document.terms_version),
        ("Prepared", f"{local(document.prepared_at):%Y-%m-%d %H:%M} by {document.prepared_by}"),
    ]
    paper.facts([*rows, ("Approval", document.one_person), ("Supersedes", document.supersedes)])
    _lines(paper, document)
    _balance(paper, document)
    if document.changes:
        _changes(paper, document)
    _small_print(paper, document)
    return paper.in_bytes()


def _lines(paper: Paper, document: SettlementDocument) -> None:
    because = "Formula, rounding, what it rests on"
    columns = (("Part", 15), ("Line", 46), ("Figure", -26), ("Unit", 20), (because, 83))
    lines = [(told.line, told) for told in document.lines]
    paper.ruled(
        columns,
        [
            (line.section, line.label, f"{line.value:,f}", line.unit, _because(told))
            for line, told in lines
        ],
        strong=[line.key == "total" for line, _ in lines],
    )


def _because(told: DocumentLine) -> str:
    line = told.line
    rests_on = [each.text or f"{each.kind} {each.ref}" for each in line.evidence]
    return "\n".join(
        each for each in (told.in_figures, line.rounding, "; ".join(rests_on), line.note) if each
    )


def _balance(paper: Paper, document: SettlementDocument) -> None:
    paper.set_font(FONT, "B", 10)
    for payable in document.payable:
        text = f"Payable {payable.metal}: {payable.grams:,f} g = {payable.ounces:,f} ozt"
        paper.say(text, 6)
    direction = "due to the customer" if document.total >= 0 else "charged to the customer"
    amount = f"Balance: {document.total:,f} {document.currency}, {direction}"
    paper.say(amount, 6)
    paper.ln(2)


def _changes(paper: Paper, document: SettlementDocument) -> None:
    paper.set_font(FONT, "B", 10)
    paper.say(f"What differs from {document.supersedes}", 6)
    names = ("label", "before", "after", "difference", "unit")
    columns = (("Line", 70), ("Before", -30), ("After", -30), ("Difference", -30), ("Unit", 30))
    paper.ruled(columns, [[change[name] or "-" for name in names] for change in document.changes])


def _small_print(paper: Paper, document: SettlementDocument) -> None:
    paper.small_print((document.signs, document.rounding, document.deference))
    approved = "Approved by"
    if document.approved_at is not None:
        approved += f" {document.approved_by}, {local(document.approved_at):%Y-%m-%d %H:%M}"
    paper.to_sign((f"Prepared by {document.prepared_by}", approved))
