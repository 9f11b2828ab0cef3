"""`manage.py month_end` and `manage.py export_workbook`."""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from openpyxl import load_workbook

from lots.models import BooksMonth, Lot
from reports.conventions import SIGN_CONVENTION
from reports.queries.lot import lot_sheet
from reports.queries.month.periods import month_period
from reports.services.counts import Found, enter_count, open_count_sheet
from reports.services.month_end import begin_month_end
from tests.reports.conftest import APRIL


def printed(*args: str, **options: Any) -> str:
    out = io.StringIO()
    call_command(*args, stdout=out, **options)
    return out.getvalue()


def test_month_end_prints_grams_and_troy_ounces(in_june: SimpleNamespace) -> None:
    lines = printed("month_end", "2026-04").splitlines()
    assert lines[0] == "Month end 2026-04, open"
    silver = lines[2 : lines.index("", 2)]
    assert [line[:46].rstrip() for line in silver] == [
        "Silver (Ag)",
        "Opening book",
        "  Received from suppliers and customers",
        "  Written off",
        "  Melt difference",
        "Closing book",
        "Not counted",
    ]
    assert silver[2][46:].split() == ["+1,964.200000", "+63.150496"]
    assert silver[3][46:].split() == ["-5.000001", "-0.160754"]
    assert {len(line) for line in silver[:6]} == {84}
    assert SIGN_CONVENTION in lines


def test_month_end_prints_the_count(in_june: SimpleNamespace, at: Any) -> None:
    month_end = begin_month_end(first_day=APRIL, act=at(6, 1))
    place = in_june.works.places["fine-safe"]
    sheet = open_count_sheet(month_end=month_end, place=place, act=at(6, 1))
    enter_count(sheet=sheet, lot=in_june.crystal, found=Found(missing=True), act=at(6, 1))
    text = printed("month_end", "2026-04")
    assert "Month end 2026-04, counting" in text
    (line,) = [line for line in text.splitlines() if line.startswith("Inventory difference")]
    assert line.split()[-6:] == [
        "+1,994.999999",
        "+64.140739",
        "(101.5681",
        "%",
        "of",
        "throughput)",
    ]


def test_month_end_as_csv_json_and_workbook_agree(in_june: SimpleNamespace, tmp_path: Path) -> None:
    rows = list(csv.DictReader(io.StringIO(printed("month_end", "2026-04", "--csv"), newline="")))
    data = json.loads(printed("month_end", "2026-04", "--json"))
    path = tmp_path / "april.xlsx"
    assert str(path) in printed("month_end", "2026-04", "--xlsx", str(path))
    book = load_workbook(path)
    assert book.sheetnames == list(data)
    assert [row["mass_g"] for row in rows] == [
        row["mass_g"] or "" for row in data["Statement"]["rows"]
    ]
    assert list(tmp_path.iterdir()) == [path]


def test_month_end_refuses_what_is_no_month_and_a_folder_that_is_not_there(
    in_june: SimpleNamespace, tmp_path: Path
) -> None:
    with pytest.raises(CommandError, match="not a month"):
        printed("month_end", "May")
    with pytest.raises(CommandError, match="can't be written"):
        printed("month_end", "2026-04", "--xlsx", str(tmp_path / "none" / "x.xlsx"))


@pytest.mark.parametrize(
    ("kind", "options", "sheets"),
    [
        ("inventory", {"as_of": "2026-04-30T12:00"}, ["Inventory", "Whose it is"]),
        ("lots", {}, ["Lots"]),
        (
            "losses",
            {"first": "2026-04", "month": "2026-05"},
            ["Losses", "Losses by stage", "Loss trend"],
        ),
        ("month-end", {"month": "2026-04"}, ["Read me first", "Statement", "Areas"]),
    ],
)
def test_export_workbook_writes_each_kind(
    in_june: SimpleNamespace,
    tmp_path: Path,
    kind: str,
    options: dict[str, str],
    sheets: list[str],
) -> None:
    path = tmp_path / "book.xlsx"
    printed("export_workbook", kind, str(path), **options)
    names = load_workbook(path).sheetnames
    assert names[: len(sheets)] == sheets


def test_export_workbook_writes_a_count_form(
    in_june: SimpleNamespace, at: Any, tmp_path: Path
) -> None:
    month_end = begin_month_end(first_day=APRIL, act=at(6, 1))
    place = in_june.works.places["fine-safe"]
    sheet = open_count_sheet(month_end=month_end, place=place, act=at(6, 1))
    path = tmp_path / "form.xlsx"
    printed("export_workbook", "count-form", str(path), sheet=sheet.code)
    assert load_workbook(path).worksheets[0]["B7"].value == in_june.bar.code
    with pytest.raises(CommandError, match="no count sheet"):
        printed("export_workbook", "count-form", str(path), sheet="CN26-0009-9")


def test_export_workbook_refuses_a_bad_moment(in_june: SimpleNamespace, tmp_path: Path) -> None:
    for moment in ("yesterday", "2026-13-01T00:00"):
        with pytest.raises(CommandError, match="Give the moment"):
            printed("export_workbook", "lots", str(tmp_path / "x.xlsx"), as_of=moment)


def test_lots_are_read_a_page_at_a_time(
    in_june: SimpleNamespace, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(lot_sheet, "PAGE", 2)
    codes = [each.lot.code for each in lot_sheet.every_lot_balance()]
    assert sorted(codes) == sorted(Lot.objects.values_list("code", flat=True))


def test_without_a_month_it_is_the_last_one_closed(in_june: SimpleNamespace) -> None:
    with pytest.raises(CommandError, match="as in 2026-05"):
        printed("month_end")
    for month in (month_period(dt.date(2026, 3, 1)), month_period(APRIL)):
        BooksMonth.objects.create(
            first_day=month.first_day,
            starts_at=month.starts_at,
            ends_at=month.ends_at,
            state=BooksMonth.State.CLOSED,
        )
    assert printed("month_end").startswith("Month end 2026-04, ")
