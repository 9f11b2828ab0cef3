"""Counting: blind sheets, what was found, recounts, and what is refused."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from decimal import Decimal
from types import SimpleNamespace
from typing import Any

import pytest

from lots.ledger.holdings import holding
from lots.measurements.assays import AssayReport, Finding, record_assay
from lots.measurements.outputs import Volume
from lots.measurements.weighings import Weight
from lots.models import BooksMonth, Lot, Weighing
from lots.services.write_off import write_off
from reports.models import CountedMetal, CountLine, CountSheet
from reports.queries.count_sheets import blind_lines
from reports.services.counts import (
    Found,
    add_found_lot,
    enter_count,
    open_count_sheet,
    recount_lot,
)
from reports.services.month_end import begin_month_end
from tests.reports.conftest import APRIL, G

Make = Callable[..., Any]


@pytest.fixture
def safe_sheet(in_june: SimpleNamespace, at: Make) -> CountSheet:
    """The fine safe's sheet for the end of April: crystal 1994.999999 g and a bar of 797.3 g."""
    month_end = begin_month_end(first_day=APRIL, act=at(6, 1))
    place = in_june.works.places["fine-safe"]
    return open_count_sheet(month_end=month_end, place=place, act=at(6, 1))


def weighed(works: Any, net_ug: int) -> Found:
    return Found(weight=Weight(net_ug, 0, works.balance))


def figures(line: CountLine) -> dict[str, tuple[int, int, int]]:
    return {
        each.metal: (each.book_ug, each.counted_ug, each.difference_ug)
        for each in CountedMetal.objects.filter(line=line)
    }


def test_sheet_lists_the_lots_of_the_place_and_hides_the_book(
    safe_sheet: CountSheet, in_june: SimpleNamespace
) -> None:
    assert safe_sheet.as_of == dt.datetime(2026, 4, 30, 23, 59, 59, 999_999, tzinfo=dt.UTC)
    lines = list(blind_lines(safe_sheet))
    assert [line.lot for line in lines] == [in_june.bar, in_june.crystal]
    assert not any(line.is_counted for line in lines)
    assert not CountedMetal.objects.exists()


def test_count_by_weight_takes_metals_at_the_books_content(
    safe_sheet: CountSheet, in_june: SimpleNamespace, at: Make
) -> None:
    line = enter_count(
        sheet=safe_sheet, lot=in_june.bar, found=weighed(in_june.works, 797_200_000), act=at(6, 1)
    )
    book = holding(in_june.bar).metals
    assert {metal: row[0] for metal, row in figures(line).items()} == book
    # 715.25783 g of silver in 797.3 g of bar; 797.2 g of it were found.
    assert figures(line)["Ag"][1] == 715_168_120
    assert figures(line)["Ag"][2] == 715_257_830 - 715_168_120
    assert (line.method, line.counted_by) == ("weighed", in_june.works.operator)
    assert line.measurement is not None
    weighing = Weighing.objects.get(pk=line.measurement.pk)
    assert weighing.purpose == Weighing.Purpose.COUNT
    spread = CountedMetal.objects.get(line=line, metal="Ag").standard_uncertainty_ug
    assert spread == 89_710
    safe_sheet.refresh_from_db()
    assert safe_sheet.state == "open"


def test_count_by_assay_takes_the_assays_content(
    safe_sheet: CountSheet, in_june: SimpleNamespace, at: Make
) -> None:
    report = AssayReport(
        method="xrf",
        laboratory=in_june.works.laboratory,
        findings={"Ag": Finding(Decimal(900), Decimal(2))},
    )
    assay = record_assay(lot=in_june.bar, report=report, act=at(6, 1))
    found = Found(weight=Weight(797_000_000, 0, in_june.works.balance), assay=assay)
    line = enter_count(sheet=safe_sheet, lot=in_june.bar, found=found, act=at(6, 1))
    assert figures(line)["Ag"] == (715_257_830, 717_300_000, -2_042_170)
    assert figures(line)["Cu"][1] == 0


def test_missing_lot_counts_nothing_and_a_sighted_one_the_book(
    safe_sheet: CountSheet, in_june: SimpleNamespace, at: Make
) -> None:
    gone = enter_count(
        sheet=safe_sheet, lot=in_june.crystal, found=Found(missing=True), act=at(6, 1)
    )
    seen = enter_count(sheet=safe_sheet, lot=in_june.bar, found=Found(sighted=True), act=at(6, 1))
    assert figures(gone) == {"Ag": (1_994_999_999, 0, 1_994_999_999)}
    assert {row[2] for row in figures(seen).values()} == {0}
    safe_sheet.refresh_from_db()
    assert safe_sheet.state == "counted"


def test_recount_supersedes_and_keeps_the_first_count(
    safe_sheet: CountSheet, in_june: SimpleNamespace, at: Make
) -> None:
    first = enter_count(
        sheet=safe_sheet, lot=in_june.bar, found=weighed(in_june.works, 779_300_000), act=at(6, 1)
    )
    again = recount_lot(
        sheet=safe_sheet,
        lot=in_june.bar,
        found=weighed(in_june.works, 797_300_000),
        act=at(6, 1, 10, who=in_june.works.assayer),
    )
    assert again.recount_of == first
    assert figures(first)["Ag"][2] > 0
    assert figures(again)["Ag"][2] == 0
    assert again in blind_lines(safe_sheet)
    assert first not in blind_lines(safe_sheet)


def test_same_request_again_counts_once(
    safe_sheet: CountSheet, in_june: SimpleNamespace, at: Make
) -> None:
    lines = {
        enter_count(
            sheet=safe_sheet, lot=in_june.bar, found=Found(sighted=True), act=at(6, 1, key="once")
        ).pk
        for _ in range(2)
    }
    assert len(lines) == 1


def test_found_lot_joins_the_sheet(
    safe_sheet: CountSheet, in_june: SimpleNamespace, at: Make
) -> None:
    add_found_lot(sheet=safe_sheet, lot=in_june.apart, act=at(6, 1))
    line = enter_count(
        sheet=safe_sheet, lot=in_june.apart, found=weighed(in_june.works, 1000 * G), act=at(6, 1)
    )
    assert figures(line)["Ag"] == (925 * G, 925 * G, 0)


def test_sheet_of_an_empty_place_is_counted_until_a_lot_is_found(
    in_june: SimpleNamespace, at: Make
) -> None:
    month_end = begin_month_end(first_day=APRIL, act=at(6, 1))
    place = in_june.works.places["carboys"]
    sheet = open_count_sheet(month_end=month_end, place=place, act=at(6, 1))
    assert sheet.state == "counted"
    add_found_lot(sheet=sheet, lot=in_june.bar, act=at(6, 1, note="behind the rack"))
    assert sheet.state == "open"
    line = enter_count(sheet=sheet, lot=in_june.bar, found=Found(sighted=True), act=at(6, 1))
    sheet.refresh_from_db()
    assert (sheet.state, line.note) == ("counted", "behind the rack")


def test_each_month_has_sheets_of_its_own(
    safe_sheet: CountSheet, in_june: SimpleNamespace, at: Make
) -> None:
    add_found_lot(sheet=safe_sheet, lot=in_june.apart, act=at(6, 1))
    may = begin_month_end(first_day=dt.date(2026, 5, 1), act=at(6, 1))
    sheet = open_count_sheet(month_end=may, place=safe_sheet.place, act=at(6, 1))
    assert [line.lot for line in blind_lines(sheet)] == [in_june.bar, in_june.crystal]
    add_found_lot(sheet=sheet, lot=in_june.apart, act=at(6, 1))
    for lot in (in_june.bar, in_june.crystal, in_june.apart):
        enter_count(sheet=sheet, lot=lot, found=Found(sighted=True), act=at(6, 1))
    # April's lines are still to be counted, and hold May's sheet open no longer.
    sheet.refresh_from_db()
    safe_sheet.refresh_from_db()
    assert (sheet.state, safe_sheet.state) == ("counted", "open")


@pytest.mark.parametrize(
    ("found", "code", "field"),
    [
        ({"gross": -5, "tare": 0}, "not_positive", "weight.gross"),
        ({"gross": 0, "tare": 0}, "not_positive", "weight.gross"),
        ({"gross": 5, "tare": 6}, "tare_above_gross", "weight.tare"),
        ({"gross": 7_000 * G, "tare": 0}, "above_capacity", "weight.gross"),
        ({"volume": 0}, "not_positive", "volume"),
        ({"volume": -1}, "not_positive", "volume"),
        ({"volume": 1000}, "no_book_quantity", "lot"),
        ({}, "one_count_needed", "found"),
        ({"sighted": True, "missing": True}, "one_count_needed", "found"),
    ],
)
def test_count_refused_when_it_cannot_be(
    safe_sheet: CountSheet,
    in_june: SimpleNamespace,
    at: Make,
    refused: Make,
    found: dict[str, Any],
    code: str,
    field: str,
) -> None:
    weight = (
        Weight(found.pop("gross"), found.pop("tare"), in_june.works.balance)
        if "gross" in found
        else None
    )
    volume = Volume(found.pop("volume"), 5) if "volume" in found else None
    with refused(code, field):
        enter_count(
            sheet=safe_sheet,
            lot=in_june.bar,
            found=Found(weight=weight, volume=volume, **found),
            act=at(6, 1),
        )


def test_count_refused_when_already_counted_or_not_on_the_sheet(
    safe_sheet: CountSheet, in_june: SimpleNamespace, at: Make, refused: Make
) -> None:
    enter_count(sheet=safe_sheet, lot=in_june.bar, found=Found(sighted=True), act=at(6, 1))
    for lot, code in ((in_june.bar, "already_counted"), (in_june.apart, "lot_not_on_sheet")):
        with refused(code, "lot"):
            enter_count(sheet=safe_sheet, lot=lot, found=Found(sighted=True), act=at(6, 1))
    with refused("not_yet_counted", "lot"):
        recount_lot(sheet=safe_sheet, lot=in_june.crystal, found=Found(sighted=True), act=at(6, 1))


def test_count_refused_by_another_lots_assay_or_a_basis_that_does_not_fit(
    safe_sheet: CountSheet, in_june: SimpleNamespace, at: Make, refused: Make
) -> None:
    report = AssayReport(
        method="xrf",
        laboratory=in_june.works.laboratory,
        findings={"Ag": Finding(Decimal(999), Decimal(2))},
    )
    other = record_assay(lot=in_june.apart, report=report, act=at(6, 1))
    own = record_assay(lot=in_june.bar, report=report, act=at(6, 1))
    weight = Weight(797 * G, 0, in_june.works.balance)
    for found, code in (
        (Found(weight=weight, assay=other), "assay_of_other_lot"),
        (Found(volume=Volume(5, 1), assay=own), "basis_without_quantity"),
        (Found(sighted=True, assay=own), "basis_without_quantity"),
    ):
        with refused(code, "assay"):
            enter_count(sheet=safe_sheet, lot=in_june.bar, found=found, act=at(6, 1))


def test_count_refused_when_the_lot_moved_after_the_moment_counted_for(
    in_june: SimpleNamespace, at: Make, refused: Make
) -> None:
    month_end = begin_month_end(first_day=APRIL, act=at(6, 1))
    place = in_june.works.places["feed-shelf"]
    sheet = open_count_sheet(month_end=month_end, place=place, act=at(6, 1))
    # Three grams of this lot were swept away on the second of May.
    with refused("lot_moved_since", "occurred_at"):
        enter_count(
            sheet=sheet, lot=in_june.house_feed, found=weighed(in_june.works, 397 * G), act=at(6, 1)
        )
    before = at(5, 1)
    enter_count(
        sheet=sheet, lot=in_june.house_feed, found=weighed(in_june.works, 400 * G), act=before
    )


def test_count_refused_in_the_future(
    safe_sheet: CountSheet, in_june: SimpleNamespace, at: Make, refused: Make
) -> None:
    with refused("in_the_future", "occurred_at"):
        enter_count(sheet=safe_sheet, lot=in_june.bar, found=Found(sighted=True), act=at(6, 2, 13))


def test_sheet_refused_twice_or_outside_its_month(
    safe_sheet: CountSheet, in_june: SimpleNamespace, at: Make, refused: Make
) -> None:
    month_end = safe_sheet.month_end
    with refused("sheet_exists", "place"):
        open_count_sheet(month_end=month_end, place=safe_sheet.place, act=at(6, 1))
    for moment in (dt.datetime(2026, 3, 31, 23, tzinfo=dt.UTC), BooksMonth.objects.get().ends_at):
        with refused("outside_month", "as_of"):
            open_count_sheet(
                month_end=month_end,
                place=in_june.works.places["carboys"],
                act=at(6, 1),
                as_of=moment,
            )


def test_found_lot_refused_when_on_a_sheet_or_not_there_yet(
    safe_sheet: CountSheet, in_june: SimpleNamespace, at: Make, refused: Make
) -> None:
    with refused("on_another_sheet", "lot"):
        add_found_lot(sheet=safe_sheet, lot=in_june.bar, act=at(6, 1))
    late = Lot.objects.create(
        code="GR26-0099-X",
        form="granules",
        owner=in_june.works.house,
        place=in_june.works.places["fine-safe"],
        content="declared",
        registered_at=at(5, 3).moment,
    )
    with refused("lot_not_there_yet", "lot"):
        add_found_lot(sheet=safe_sheet, lot=late, act=at(6, 1))


def test_book_kept_beside_the_count_is_the_book_of_that_day(
    safe_sheet: CountSheet, in_june: SimpleNamespace, at: Make
) -> None:
    write_off(lot=in_june.bar, cause="sweep", stage="store", act=at(6, 2), mass_ug=G)
    line = enter_count(sheet=safe_sheet, lot=in_june.bar, found=Found(sighted=True), act=at(6, 2))
    assert figures(line)["Ag"][0] == 715_257_830
