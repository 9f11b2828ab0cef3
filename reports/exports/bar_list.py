"""The bar list as a CSV and as a workbook whose totals are live formulas."""

from __future__ import annotations

import csv
from collections.abc import Callable
from decimal import Decimal
from typing import IO, Any, Final, TextIO

from openpyxl import Workbook
from openpyxl.styles import Alignment, Font
from openpyxl.worksheet.worksheet import Worksheet

from lots.local_law import LOCAL_LAW
from lots.queries.bar_list import BarList, BarRow
from reports.exports.tables import local, plain_csv_text, plain_text

SHEET: Final = "Bars"
# Key in CSV, header in the sheet, width.
COLUMNS: Final = (
    ("mark", "Mark", 16),
    ("lot", "Lot", 16),
    ("metal", "Metal", 8),
    ("gross_g", "Weighed, g", 18),
    ("gross_ozt", "Gross, ozt", 14),
    ("fineness_ppt", "Fineness, parts per thousand", 14),
    ("fine_ozt", "Fine, ozt", 14),
    ("gross_rule", "Gross by", 34),
    ("fine_rule", "Fine by", 44),
    ("fine_source", "Source of the fine weight", 44),
    ("outside", "London limits not kept", 44),
    ("listed_at", "Listed", 18),
    ("weighing", "Weighing", 10),
    ("assay", "Assay", 10),
)
_NAMES: Final = tuple(name for name, _, _ in COLUMNS)
_LETTER: Final = dict(zip(_NAMES, "ABCDEFGHIJKLMN", strict=True))
_TEXTS: Final = {"mark", "gross_rule", "fine_rule", "fine_source", "outside"}
_BOLD: Final = Font(bold=True)
_WRAPPED: Final = Alignment(wrap_text=True, vertical="top")


def write_bar_list_csv(listed: BarList, file: TextIO) -> None:
    """The bars without notes and totals, so that another program can read them."""
    writer = csv.writer(file, lineterminator="\r\n")
    writer.writerow(_NAMES)
    for row in listed.bars:
        cells = _cells(row, plain_csv_text)
        writer.writerow(["" if cells[name] is None else cells[name] for name in _NAMES])


def write_bar_list_workbook(listed: BarList, file: IO[bytes]) -> None:
    """One sheet: notes, bars, and per metal the bars, gross and fine weight as formulas."""
    book = Workbook()
    sheet = book.active
    assert isinstance(sheet, Worksheet)
    sheet.title = SHEET
    for note in ("Bar list", *listed.notes, LOCAL_LAW):
        sheet.append([note])
    sheet["A1"].font = _BOLD
    sheet.append([])
    sheet.append([header for _, header, _ in COLUMNS])
    for cell in sheet[sheet.max_row]:
        cell.font = _BOLD
        cell.alignment = _WRAPPED
    for name, _, width in COLUMNS:
        sheet.column_dimensions[_LETTER[name]].width = width
    first = first_bar_row(listed)
    for row in listed.bars:
        cells = _cells(row, plain_text)
        sheet.append([_number(cells[name]) for name in _NAMES])
        for name in ("gross_g", "gross_ozt", "fineness_ppt", "fine_ozt"):
            sheet[f"{_LETTER[name]}{sheet.max_row}"].number_format = _format(cells[name])
    last = first + len(listed.bars) - 1
    for total in listed.totals:
        _write_total(sheet, total.metal, first, last)
    sheet.freeze_panes = f"A{first}"
    book.calculation.fullCalcOnLoad = True
    book.save(file)


def first_bar_row(listed: BarList) -> int:
    """The row of the first bar."""
    return len(listed.notes) + 5


def _write_total(sheet: Worksheet, metal: str, first: int, last: int) -> None:
    metals = f"C{first}:C{last}"
    row = sheet.max_row + 1

    def summed(name: str) -> str:
        letter = _LETTER[name]
        return f'=SUMIF({metals},"{metal}",{letter}{first}:{letter}{last})'

    cells = {
        "A": "Total",
        "B": f'=COUNTIF({metals},"{metal}")',
        "C": metal,
        **{_LETTER[name]: summed(name) for name in ("gross_g", "gross_ozt", "fine_ozt")},
    }
    for letter, value in cells.items():
        sheet[f"{letter}{row}"] = value
        sheet[f"{letter}{row}"].font = _BOLD
    for name in ("gross_g", "gross_ozt", "fine_ozt"):
        sheet[f"{_LETTER[name]}{row}"].number_format = "#,##0.000000"


def _cells(row: BarRow, as_text: Callable[[object], str]) -> dict[str, Any]:
    cells: dict[str, Any] = {name: getattr(row, name) for name in _NAMES}
    cells["outside"] = " ".join(row.outside)
    cells["listed_at"] = f"{local(row.listed_at):%Y-%m-%d %H:%M}"
    return {name: as_text(each) if name in _TEXTS else each for name, each in cells.items()}


def _number(value: Any) -> Any:
    return float(value) if isinstance(value, Decimal) else value


def _format(value: Decimal | None) -> str:
    decimals = 0 if value is None else max(0, -int(value.as_tuple().exponent))
    return "#,##0" + ("." + "0" * decimals if decimals else "")
