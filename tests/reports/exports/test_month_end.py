"""The month-end workbook: its sheets, its notes, and its formulas against the JSON."""

from __future__ import annotations

import io
from pathlib import Path
from types import SimpleNamespace

import pytest
from openpyxl import load_workbook

from reports.conventions import SIGN_CONVENTION
from reports.exports.month_end import month_end_tables
from reports.exports.tables import as_json
from reports.exports.workbook import write_workbook
from reports.queries.month_pack import month_pack
from reports.queries.periods import Period
from tests.reports.exports.recalculated import assert_recalculates, needs_libreoffice

SHEETS = [
    "Read me first",
    "Statement",
    "Areas",
    "Inventory",
    "Whose it is",
    "Losses",
    "Losses by stage",
    "Loss trend",
    "Counts",
    "Claims",
    "Movements",
]


def test_month_end_workbook_has_every_sheet_and_says_its_signs(
    spring: SimpleNamespace, april: Period
) -> None:
    file = io.BytesIO()
    write_workbook(month_end_tables(month_pack(april)), file)
    book = load_workbook(file)
    assert book.sheetnames == SHEETS
    for name in ("Read me first", "Statement", "Areas", "Losses", "Counts"):
        texts = [cell.value for (cell,) in book[name].iter_rows(max_col=1)]
        assert SIGN_CONVENTION in texts
    assert book["Statement"]["A2"].value == ("As of 2026-04-30 23:59:59 UTC, as recorded by now.")


def test_closing_book_is_a_live_sum_of_the_lines_above_it(
    spring: SimpleNamespace, april: Period
) -> None:
    file = io.BytesIO()
    tables = month_end_tables(month_pack(april))
    write_workbook(tables, file)
    sheet = load_workbook(file)["Statement"]
    closing = next(row for row in sheet.iter_rows() if row[1].value == "Closing book")
    opening_row = (closing[0].row or 0) - 16
    assert sheet.cell(opening_row, 2).value == "Opening book"
    terms = "".join(f"+C{number}" for number in range(opening_row, opening_row + 16))
    assert closing[2].value == f"=ROUND({terms},6)"


def test_movements_in_the_workbook_balance_per_metal(
    spring: SimpleNamespace, april: Period
) -> None:
    movements = as_json(month_end_tables(month_pack(april))[-1])
    assert {total["metal"]: total["mass_ug"] for total in movements["totals"]} == {
        "Ag": 0,
        "Au": 0,
        "Cu": 0,
    }


@needs_libreoffice
@pytest.mark.libreoffice
def test_month_end_workbook_recalculates_to_the_json(
    spring: SimpleNamespace, april: Period, tmp_path: Path
) -> None:
    tables = month_end_tables(month_pack(april, currency="EUR"))
    assert assert_recalculates(tables, tmp_path) > 300
