"""A settlement as a PDF to print and sign: A4, with page numbers and every line's formula."""

from __future__ import annotations

from typing import Final

from fpdf.enums import TableBordersLayout
from fpdf.fonts import FontFace

from config.paper_fonts import FONT
from reports.exports.paper import HEADINGS, Paper
from reports.exports.tables import local
from reports.queries.lot.settlement_statement import DocumentLine, SettlementDocument

_WIDTHS: Final = (15, 46, 26, 20, 83)
_RIGHT: Final = ("LEFT", "LEFT", "RIGHT", "LEFT", "LEFT")


def settlement_pdf(document: SettlementDocument) -> bytes:
    """The statement as PDF bytes."""
    paper = Paper(
        title=f"Settlement {document.code}",
        author=document.house,
        foot=f"{document.house} – {document.code}",
        made_at=document.prepared_at,
    )
    _head(paper, document)
    _lines(paper, document)
    _balance(paper, document)
    if document.changes:
        _changes(paper, document)
    _small_print(paper, document)
    return paper.in_bytes()


def _head(paper: Paper, document: SettlementDocument) -> None:
    paper.head(document.house, f"{document.kind} settlement {document.code}")
    rows = [
        ("State", document.state),
        ("To", document.customer_name),
        ("Lot", f"{document.lot} {document.lot_description}".strip()),
        ("Terms", document.terms_version),
        ("Prepared", f"{local(document.prepared_at):%Y-%m-%d %H:%M} by {document.prepared_by}"),
    ]
    paper.facts([*rows, ("Approval", document.one_person), ("Supersedes", document.supersedes)])


def _lines(paper: Paper, document: SettlementDocument) -> None:
    paper.set_font(FONT, size=8)
    with paper.table(
        col_widths=_WIDTHS,
        text_align=_RIGHT,
        headings_style=HEADINGS,
        borders_layout=TableBordersLayout.HORIZONTAL_LINES,
        line_height=4.2,
        padding=(0.6, 1),
    ) as table:
        table.row(("Part", "Line", "Figure", "Unit", "Formula, rounding, what it rests on"))
        for told in document.lines:
            line = told.line
            style = FontFace(emphasis="BOLD") if line.key == "total" else None
            figure = f"{line.value:,f}"
            cells = (line.section, line.label, figure, line.unit, _because(told))
            table.row(cells, style=style)
    paper.ln(4)


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
    paper.ruled(
        ("Line", "Before", "After", "Difference", "Unit"),
        [[change[name] or "-" for name in names] for change in document.changes],
        widths=(70, 30, 30, 30, 30),
        align=("LEFT", "RIGHT", "RIGHT", "RIGHT", "LEFT"),
    )


def _small_print(paper: Paper, document: SettlementDocument) -> None:
    paper.small_print((document.signs, document.rounding, document.deference))
    approved = "Approved by"
    if document.approved_at is not None:
        approved += f" {document.approved_by}, {local(document.approved_at):%Y-%m-%d %H:%M}"
    paper.to_sign((f"Prepared by {document.prepared_by}", approved))
