"""A settlement as a workbook: every figure that was reckoned is a live formula over its inputs."""

from __future__ import annotations

from typing import IO, Any, Final

from openpyxl import Workbook
from openpyxl.styles import Alignment, Font, PatternFill
from openpyxl.worksheet.worksheet import Worksheet

from reports.exports.tables import local, plain_text
from reports.formulas import with_names_replaced
from reports.queries.lot.settlement_statement import SettlementDocument
from reports.settlement_lines import Line

SHEET: Final = "Statement"
CHANGES: Final = "Changes"
HEADERS: Final = ("Part", "Line", "Figure", "Unit", "Formula", "Rounding", "Rests on", "Note")
WIDTHS: Final = (12, 34, 18, 16, 44, 34, 44, 60)
_FIGURE: Final = "C"
_BOLD: Final = Font(bold=True)
_WRAPPED: Final = Alignment(wrap_text=True, vertical="top")
# Figures a reader may change to see what follows from them.
_INPUT: Final = PatternFill("solid", fgColor="FFF6DC")


def write_settlement_workbook(document: SettlementDocument, file: IO[bytes]) -> None:
    """The statement, and what changed from the one it supersedes.

    Input cells are tinted; formulas are worked out by the spreadsheet program when it opens the
    file, so that a changed input carries through to the balance.
    """
    book = Workbook()
    sheet = book.active
    assert isinstance(sheet, Worksheet)
    sheet.title = SHEET
    _write_head(sheet, document)
    _write_lines(sheet, document)
    if document.changes:
        _write_changes(book.create_sheet(CHANGES), document)
    book.calculation.fullCalcOnLoad = True
    book.save(file)


def first_line_row(document: SettlementDocument) -> int:
    """The row of the statement's first line."""
    return len(_head(document)) + 3


def _head(document: SettlementDocument) -> list[tuple[str, str]]:
    approved = ""
    if document.approved_at is not None:
        approved = f"{document.approved_by}, {local(document.approved_at):%Y-%m-%d %H:%M}"
    prepared = f"{document.prepared_by}, {local(document.prepared_at):%Y-%m-%d %H:%M}"
    return [
        ("Settlement", f"{document.code}, {document.kind.lower()}, {document.state.lower()}"),
        ("Of", document.house),
        ("To", document.customer_name),
        ("Lot", f"{document.lot} {document.lot_description}".strip()),
        ("Terms", document.terms_version),
        ("Prepared by", prepared),
        ("Approved by", approved),
        *([("Approval", document.one_person)] if document.one_person else []),
        ("Supersedes", document.supersedes),
        ("Signs", document.signs),
        ("Rounding", document.rounding),
        ("", document.deference),
    ]


def _write_head(sheet: Worksheet, document: SettlementDocument) -> None:
    for name, text in _head(document):
        sheet.append([name, plain_text(text)])
        sheet.cell(sheet.max_row, 1).font = _BOLD
    sheet.append([])
    sheet.append(list(HEADERS))
    for cell in sheet[sheet.max_row]:
        cell.font = _BOLD
    for letter, width in zip("ABCDEFGH", WIDTHS, strict=True):
        sheet.column_dimensions[letter].width = width
    sheet.freeze_panes = f"A{first_line_row(document)}"
    sheet.page_setup.paperSize = sheet.PAPERSIZE_A4
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.fitToHeight = 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True  # type: ignore[union-attr]


def _write_lines(sheet: Worksheet, document: SettlementDocument) -> None:
    cells: dict[str, str] = {}
    for row, told in enumerate(document.lines, first_line_row(document)):
        line = told.line
        sheet.append(
            [
                plain_text(line.section),
                plain_text(line.label),
                _figure(line, cells),
                plain_text(line.unit),
                plain_text(told.in_figures),
                plain_text(line.rounding),
                plain_text("; ".join(_rests_on(line))),
                plain_text(line.note),
            ]
        )
        figure = sheet[f"{_FIGURE}{row}"]
        figure.number_format = _format(line)
        if not line.formula:
            figure.fill = _INPUT
        if line.key == "total":
            for cell in sheet[row][:4]:
                cell.font = _BOLD
        for letter in "GH":
            sheet[f"{letter}{row}"].alignment = _WRAPPED
        cells[line.key] = f"{_FIGURE}{row}"
    sheet.append([])
    for payable in document.payable:
        for unit in ("g", "ozt"):
            figure = cells[f"{payable.metal}_payable_{unit}"]
            sheet.append(["Payable", payable.metal, f"={figure}", unit])


def _figure(line: Line, cells: dict[str, str]) -> Any:
    """A number for an input; for what was reckoned, its formula over the cells before it."""
    if not line.formula:
        return float(line.value)
    return "=" + with_names_replaced(line.formula, cells)


def _format(line: Line) -> str:
    decimals = max(0, -int(line.value.as_tuple().exponent))
    return "#,##0" + ("." + "0" * decimals if decimals else "")


def _rests_on(line: Line) -> list[str]:
    return [
        each.text
        if each.kind == "term"
        else f"{each.kind} {each.ref} ({each.text})".replace(" ()", "")
        for each in line.evidence
    ]


def _write_changes(sheet: Worksheet, document: SettlementDocument) -> None:
    sheet.append([plain_text(f"What differs from settlement {document.supersedes}")])
    sheet.append(["Line", "Before", "After", "Difference", "Unit"])
    for cell in sheet[2]:
        cell.font = _BOLD
    sheet.column_dimensions["A"].width = 44
    for row, change in enumerate(document.changes, 3):
        before, after = change["before"], change["after"]
        sheet.append(
            [
                plain_text(change["label"]),
                None if before is None else float(before),
                None if after is None else float(after),
                f"=ROUND(N(C{row})-N(B{row}),6)",
                plain_text(change["unit"]),
            ]
        )
