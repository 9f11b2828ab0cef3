"""A settlement as a PDF to print and sign: A4, with page numbers and every line's formula."""

from __future__ import annotations

import unicodedata
from typing import Final

from fpdf import FPDF
from fpdf.enums import TableBordersLayout, XPos, YPos
from fpdf.fonts import FontFace

from reports.exports.tables import local
from reports.queries.settlement_statement import DocumentLine, SettlementDocument

FONT: Final = "Helvetica"
_WIDTHS: Final = (15, 46, 26, 20, 83)
_RIGHT: Final = ("LEFT", "LEFT", "RIGHT", "LEFT", "LEFT")
_HEADINGS: Final = FontFace(emphasis="BOLD", fill_color=(236, 232, 222))
# The fonts every reader has know Latin-1 alone; signs it lacks are written with those it has.
_PLAIN: Final = str.maketrans(
    {"“": '"', "”": '"', "‘": "'", "’": "'", "–": "-", "—": "-", "…": "...", "−": "-", "•": "-"}
)


class _Paper(FPDF):
    """A page with the statement's code and its number at the foot."""

    def __init__(self, document: SettlementDocument) -> None:
        super().__init__(format="A4")
        self.foot = latin(f"{document.house}  -  {document.code}")
        self.set_title(latin(f"Settlement {document.code}"))
        self.set_author(latin(document.house))
        self.set_creation_date(document.prepared_at)
        self.set_margin(18)
        self.set_auto_page_break(auto=True, margin=20)

    def say(self, text: str, height_mm: float) -> None:
        """A paragraph over the rest of the width, and then a new line."""
        self.multi_cell(0, height_mm, latin(text), new_x=XPos.LMARGIN, new_y=YPos.NEXT)

    def footer(self) -> None:
        self.set_y(-15)
        self.set_font(FONT, size=8)
        self.cell(0, 6, f"{self.foot}  -  page {self.page_no()} of {{nb}}", align="C")


def settlement_pdf(document: SettlementDocument, *, compressed: bool = True) -> bytes:
    """The statement as PDF bytes. Letters outside Latin-1 lose their marks, or print as "?"."""
    paper = _Paper(document)
    paper.set_compression(compressed)
    paper.add_page()
    _head(paper, document)
    _lines(paper, document)
    _balance(paper, document)
    if document.changes:
        _changes(paper, document)
    _small_print(paper, document)
    return bytes(paper.output())


def latin(text: str) -> str:
    """`text` in Latin-1: as it is where that has the letter, without its mark where it hasn't."""
    plain = text.translate(_PLAIN)
    kept = []
    for character in plain:
        if ord(character) < 256:
            kept.append(character)
            continue
        base = unicodedata.normalize("NFKD", character)
        kept.append("".join(each for each in base if ord(each) < 256) or "?")
    return "".join(kept)


def _head(paper: _Paper, document: SettlementDocument) -> None:
    paper.set_font(FONT, "B", 15)
    paper.say(document.house, 8)
    paper.set_font(FONT, "B", 12)
    title = f"{document.kind} settlement {document.code}"
    paper.say(title, 8)
    paper.set_font(FONT, size=9)
    rows = [
        ("State", document.state),
        ("To", document.customer_name),
        ("Lot", f"{document.lot} {document.lot_description}".strip()),
        ("Terms", document.terms_version),
        ("Prepared", f"{local(document.prepared_at):%Y-%m-%d %H:%M} by {document.prepared_by}"),
    ]
    if document.supersedes:
        rows.append(("Supersedes", document.supersedes))
    for name, value in rows:
        paper.cell(26, 5, name)
        paper.say(value, 5)
    paper.ln(3)


def _lines(paper: _Paper, document: SettlementDocument) -> None:
    paper.set_font(FONT, size=8)
    with paper.table(
        col_widths=_WIDTHS,
        text_align=_RIGHT,
        headings_style=_HEADINGS,
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
            table.row([latin(each) for each in cells], style=style)
    paper.ln(4)


def _because(told: DocumentLine) -> str:
    line = told.line
    rests_on = [each.text or f"{each.kind} {each.ref}" for each in line.evidence]
    return "\n".join(
        each for each in (told.in_figures, line.rounding, "; ".join(rests_on), line.note) if each
    )


def _balance(paper: _Paper, document: SettlementDocument) -> None:
    paper.set_font(FONT, "B", 10)
    for payable in document.payable:
        text = f"Payable {payable.metal}: {payable.grams:,f} g = {payable.ounces:,f} ozt"
        paper.say(text, 6)
    direction = "due to the customer" if document.total >= 0 else "charged to the customer"
    amount = f"Balance: {document.total:,f} {document.currency}, {direction}"
    paper.say(amount, 6)
    paper.ln(2)


def _changes(paper: _Paper, document: SettlementDocument) -> None:
    paper.set_font(FONT, "B", 10)
    paper.say(f"What differs from {document.supersedes}", 6)
    paper.set_font(FONT, size=8)
    with paper.table(
        col_widths=(70, 30, 30, 30, 30),
        text_align=("LEFT", "RIGHT", "RIGHT", "RIGHT", "LEFT"),
        headings_style=_HEADINGS,
        borders_layout=TableBordersLayout.HORIZONTAL_LINES,
        line_height=4.2,
    ) as table:
        table.row(("Line", "Before", "After", "Difference", "Unit"))
        for change in document.changes:
            names = ("label", "before", "after", "difference", "unit")
            table.row([latin(change[name] or "-") for name in names])
    paper.ln(4)


def _small_print(paper: _Paper, document: SettlementDocument) -> None:
    paper.set_font(FONT, size=8)
    for text in (document.signs, document.rounding, document.deference):
        paper.say(text, 4.2)
    paper.ln(8)
    approved = "Approved by"
    if document.approved_at is not None:
        approved += f" {document.approved_by}, {local(document.approved_at):%Y-%m-%d %H:%M}"
    for text in (f"Prepared by {document.prepared_by}", approved):
        paper.cell(80, 5, latin(text), border="T", new_x=XPos.RIGHT, new_y=YPos.TOP)
        paper.cell(10, 5, "")
