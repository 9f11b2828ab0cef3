"""The month-end workbook: its sheets, its notes, and its formulas against the JSON."""

from __future__ import annotations

import io
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from openpyxl import load_workbook

from lots.measurements.weighings import Weight
from reports.conventions import SIGN_CONVENTION
from reports.exports.month_end import month_end_tables
from reports.exports.tables import as_json
from reports.exports.workbook import write_workbook
from reports.queries.month.month_pack import month_pack
from reports.queries.month.periods import Period
from reports.services.approvals import approve_adjustments, propose_adjustments
from reports.services.counts import Found, enter_count, open_count_sheet
from reports.services.month_end import begin_month_end
from reports.services.prices import record_price
from tests.reports.conftest import APRIL
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
    "Signature",
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
    movements = as_json(month_end_tables(month_pack(april))[-2])
    assert {total["metal"]: total["mass_ug"] for total in movements["totals"]} == {
        "Ag": 0,
        "Au": 0,
        "Cu": 0,
    }


@pytest.fixture
def counted(in_june: SimpleNamespace, at: Callable[..., Any]) -> SimpleNamespace:
    """April counted: crystal two grams short and adjusted, the feed a microgram over."""
    works = in_june.works
    month_end = begin_month_end(first_day=APRIL, act=at(6, 1))
    for place, lot, net_ug, day in (
        ("fine-safe", in_june.crystal, 1_992_999_999, at(6, 1)),
        ("feed-shelf", in_june.house_feed, 400_000_001, at(5, 1)),
    ):
        sheet = open_count_sheet(month_end=month_end, place=works.places[place], act=at(6, 1))
        found = Found(weight=Weight(net_ug, 0, works.balance))
        enter_count(sheet=sheet, lot=lot, found=found, act=day)
        if place == "fine-safe":
            propose_adjustments(sheet=sheet, causes={lot.code: "spillage"}, act=at(6, 1))
            approve_adjustments(sheet=sheet, act=at(6, 1, who=works.manager))
    return in_june


def test_statement_rows_show_the_count(counted: SimpleNamespace, april: Period) -> None:
    statement = as_json(month_end_tables(month_pack(april))[1])
    silver = {row["line"]: row["mass_g"] for row in statement["rows"] if row["metal"] == "Ag"}
    assert silver["Inventory difference (book less physical)"] == "1.999999"
    assert silver["Difference already adjusted in the closing book"] == "2.000000"
    assert silver["Difference not adjusted"] == "-0.000001"
    assert silver["Count difference"] == "-2.000000"


@needs_libreoffice
@pytest.mark.libreoffice
def test_month_end_workbook_recalculates_to_the_json(
    counted: SimpleNamespace, april: Period, at: Callable[..., Any], tmp_path: Path
) -> None:
    record_price(
        metal="Ag",
        per_unit="g",
        price=Decimal("1.0375"),
        currency="EUR",
        from_date=APRIL,
        act=at(4, 1),
    )
    tables = month_end_tables(month_pack(april, currency="EUR"))
    assert assert_recalculates(tables, tmp_path) > 400
