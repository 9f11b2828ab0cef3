"""Writes tables as an xlsx workbook, row by row, with totals and ounces as live formulas."""

from __future__ import annotations

import datetime as dt
import io
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any, Final

from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.styles import Alignment, Font
from openpyxl.utils import get_column_letter

from config.refusals import refuse
from lots.units import UG_PER_G, UG_PER_OZT
from reports.conventions import PERCENT_DECIMALS
from reports.exports.tables import (
    TOTAL,
    Column,
    Kind,
    Linked,
    Row,
    Running,
    Summed,
    Table,
    local,
    percent_in,
    plain_text,
)

# Rows of a sheet, by the format's own limit.
ROWS_MAX: Final = 1_048_576
G_PER_OZT: Final = UG_PER_OZT / UG_PER_G
_G_PER_OZT: Final = str(G_PER_OZT)
_NUMBER_FORMAT: Final = {
    Kind.WHOLE: "0",
    Kind.MASS: "#,##0.000000",
    Kind.VOLUME: "#,##0.000000",
    Kind.PERCENT: "0.0000",
    Kind.FIGURE: "#,##0.000000",
    Kind.MONEY: "#,##0.00####",
    Kind.DATE: "yyyy-mm-dd",
    Kind.MOMENT: "yyyy-mm-dd hh:mm",
}
_BOLD: Final = Font(bold=True)
_WRAPPED: Final = Alignment(wrap_text=True, vertical="top")
_TITLE: Final = Font(bold=True, size=13)


@dataclass
class _Sheet:
    """One sheet while it is written: where its columns are and which rows have which key."""

    sheet: Any
    table: Table
    letters: dict[str, str]
    next_row: int = 1
    row_of_key: dict[str, int] = field(default_factory=dict)
    # A row is written before the next is made, so each place in a row has one cell for all rows:
    # making and formatting cells again takes most of the time of a long sheet.
    _cells: dict[tuple[str, bool], Any] = field(default_factory=dict)

    def append(self, cells: Sequence[Any]) -> None:
        if self.next_row > ROWS_MAX:
            raise refuse(
                "too_many_rows:workbook", field="period", it=self.table.name, rows_max=ROWS_MAX
            )
        self.sheet.append(cells)
        self.next_row += 1

    def cell(self, value: Any, kind: Kind = Kind.TEXT, *, at: str, bold: bool = False) -> Any:
        """The value as a row takes it; `at` names its place, of which a row has one each."""
        try:
            cell = self._cells[at, bold]
        except KeyError:
            cell = self._cells[at, bold] = self._made(kind, bold)
        if cell is None:
            return value
        cell.value = value
        return cell

    def _made(self, kind: Kind, bold: bool) -> Any:
        """A cell that looks as it should; None where the plain value will do."""
        if kind not in _NUMBER_FORMAT and not bold:
            return None
        cell = WriteOnlyCell(self.sheet)
        if kind in _NUMBER_FORMAT:
            cell.number_format = _NUMBER_FORMAT[kind]
        if bold:
            cell.font = _BOLD
        return cell


def write_workbook(tables: Iterable[Table], file: IO[bytes]) -> None:
    """One sheet per table. Raises InvalidError `too_many_rows`, and then writes nothing to `file`.

    Formulas are left for the spreadsheet program to work out when it opens the file.
    """
    book = Workbook(write_only=True)
    try:
        for table in tables:
            _write_sheet(book, table)
    except BaseException:
        # Half-written sheets wait in temporary files until their book is saved somewhere.
        book.save(io.BytesIO())
        raise
    book.calculation.fullCalcOnLoad = True
    book.save(file)


def save_workbook(tables: Iterable[Table], path: Path) -> None:
    """Writes the workbook beside `path` and puts it there whole. Raises OSError."""
    part = path.with_name(path.name + ".part")
    try:
        with part.open("wb") as file:
            write_workbook(tables, file)
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def _write_sheet(book: Workbook, table: Table) -> None:
    sheet = book.create_sheet(plain_text(table.name)[:31])
    state = _Sheet(sheet, table, _letters(table.columns))
    header_row = len(table.notes) + 3
    _set_up_page(sheet, table.columns, header_row)
    totalled = [column for column in table.columns if column.is_totalled]
    title = WriteOnlyCell(sheet, value=plain_text(table.title))
    title.font = _TITLE
    state.append([title])
    for note in table.notes:
        state.append([plain_text(note)])
    state.append([])
    state.append([_header(state, text) for text in _headers(table.columns)])
    groups: dict[object, set[str]] = {}
    for row in table.cells():
        if "_key" in row:
            assert row["_key"] not in state.row_of_key, row["_key"]
            state.row_of_key[row["_key"]] = state.next_row
        if table.total_by:
            filled = groups.setdefault(row[table.total_by], set())
            if len(filled) < len(totalled):
                filled.update(
                    each.name
                    for each in totalled
                    if row[each.name] is not None or each.kind is Kind.FIGURE
                )
        cells: list[Any] = []
        for column in table.columns:
            cells += _cells(state, column, row)
        state.append(cells)
    first, last = header_row + 1, state.next_row - 1
    for group, filled in groups.items():
        state.append(_total_cells(state, group, filled, (first, last)))


def _set_up_page(sheet: Any, columns: Sequence[Column], header_row: int) -> None:
    """Widths, frozen and repeated headers: in a streamed sheet all come before the first row."""
    sheet.freeze_panes = f"A{header_row + 1}"
    sheet.print_title_rows = f"{header_row}:{header_row}"
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.fitToHeight = 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    at = 1
    for column in columns:
        for _ in range(2 if column.kind == Kind.MASS else 1):
            sheet.column_dimensions[get_column_letter(at)].width = column.width
            at += 1


def _letters(columns: Sequence[Column]) -> dict[str, str]:
    """The letter of each column; a mass has its grams there and its ounces in the next."""
    letters, at = {}, 1
    for column in columns:
        letters[column.name] = get_column_letter(at)
        at += 2 if column.kind == Kind.MASS else 1
    return letters


def _headers(columns: Sequence[Column]) -> list[str]:
    headers: list[str] = []
    for column in columns:
        if column.kind == Kind.MASS:
            headers += [f"{column.header}, g", f"{column.header}, ozt"]
        elif column.kind == Kind.VOLUME:
            headers.append(f"{column.header}, L")
        elif column.kind == Kind.PERCENT:
            headers.append(f"{column.header}, %")
        else:
            headers.append(column.header)
    return headers


def _header(state: _Sheet, text: str) -> Any:
    cell = WriteOnlyCell(state.sheet, value=plain_text(text))
    cell.font = _BOLD
    cell.alignment = _WRAPPED
    return cell


def _cells(state: _Sheet, column: Column, row: Row) -> list[Any]:
    value = row.get(column.name)
    if column.kind == Kind.PERCENT:
        return [_percent_cell(state, column, row)]
    if value is None:
        return [None, None] if column.kind == Kind.MASS else [None]
    letter = state.letters[column.name]
    formula = _formula(state, letter, value)
    if column.kind == Kind.MASS:
        return _mass_cells(state, letter, formula or value / UG_PER_G)
    shown = formula or _plain_value(column.kind, value)
    cell = state.cell(shown, column.kind, at=column.name)
    if column.kind is Kind.FIGURE:
        decimals = max(0, -int(value.as_tuple().exponent))
        cell.number_format = "#,##0" + ("." + "0" * decimals if decimals else "")
    return [cell]


def _mass_cells(state: _Sheet, letter: str, grams: str | float, *, bold: bool = False) -> list[Any]:
    ounces = f"=ROUND({letter}{state.next_row}/{_G_PER_OZT},6)"
    return [
        state.cell(grams, Kind.MASS, at=f"{letter} g", bold=bold),
        state.cell(ounces, Kind.MASS, at=f"{letter} ozt", bold=bold),
    ]


def _formula(state: _Sheet, letter: str, value: object) -> str:
    """How the figure is reckoned from other cells; nothing for one that stands by itself."""
    if not isinstance(value, Running | Summed | Linked):
        return ""
    rows = state.row_of_key
    if isinstance(value, Running):
        before, change = f"{letter}{rows[value.before]}", state.letters[value.change]
        return f"=ROUND({before}+{change}{state.next_row},6)"
    if isinstance(value, Summed):
        column = state.letters[value.column]
        return f"=ROUND(SUM({column}{rows[value.first]}:{column}{state.next_row - 1}),6)"
    terms = (f"{'+' if sign > 0 else '-'}{letter}{rows[key]}" for sign, key in value.terms)
    return f"=ROUND({''.join(terms)},6)"


def _percent_cell(state: _Sheet, column: Column, row: Row) -> Any:
    if column.ratio is None or percent_in(row, column) is None:
        percent = percent_in(row, column)
        return None if percent is None else state.cell(float(percent), Kind.PERCENT, at=column.name)
    part, whole = (
        f"{state.letters[name]}{state.next_row}" for name in (column.ratio.part, column.ratio.whole)
    )
    formula = f"=ROUND(100*{part}/{whole},{PERCENT_DECIMALS})"
    return state.cell(formula, Kind.PERCENT, at=column.name)


def _plain_value(kind: Kind, value: Any) -> object:
    if kind is Kind.TEXT:
        return plain_text(value)
    if kind is Kind.MOMENT:
        moment: dt.datetime = value
        return local(moment).replace(tzinfo=None)
    if kind == Kind.VOLUME:
        return value / UG_PER_G
    if kind in {Kind.MONEY, Kind.FIGURE}:
        return float(value)
    return value


def _total_cells(
    state: _Sheet, group: object, filled: Collection[str], span: tuple[int, int]
) -> list[Any]:
    """A total row: SUMIF over the rows of its group; ounces from the grams summed.

    A column with no mass or money in the group has no total either, rather than a nought.
    """
    first, last = span
    by = state.letters[state.table.total_by]
    cells: list[Any] = []
    is_labelled = False
    for column in state.table.columns:
        letter = state.letters[column.name]
        if column.name == state.table.total_by:
            cells.append(state.cell(plain_text(group), at=column.name, bold=True))
        elif column.name in filled:
            summed = (
                f"SUMIF(${by}${first}:${by}${last},{by}{state.next_row},"
                f"{letter}${first}:{letter}${last})"
            )
            if column.kind == Kind.MASS:
                cells += _mass_cells(state, letter, f"=ROUND({summed},6)", bold=True)
            else:
                decimals = {Kind.MONEY: 2, Kind.VOLUME: 6, Kind.FIGURE: 6}.get(column.kind, 0)
                formula = f"=ROUND({summed},{decimals})"
                cells.append(state.cell(formula, column.kind, at=column.name, bold=True))
        elif column.is_counted:
            counted = f"=COUNTIF(${by}${first}:${by}${last},{by}{state.next_row})"
            cells.append(state.cell(counted, at=column.name, bold=True))
        elif column.kind == Kind.MASS:
            cells += [None, None]
        elif not is_labelled:
            cells.append(state.cell(TOTAL, at=column.name, bold=True))
            is_labelled = True
        else:
            cells.append(None)
    return cells
