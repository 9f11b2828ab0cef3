"""Which lots belong on a sheet, which counts have gone stale, in how many queries."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest

from lots.ledger.holdings import AsOf
from lots.services.splitting import Part, split_lot
from lots.services.write_off import write_off
from reports.models import CountSheet
from reports.queries.count_sheets import (
    blind_lines,
    lots_standing_at,
    open_sheets,
    stale_lines,
    undecided,
)
from reports.queries.counts import count_figures, uncounted_lines
from reports.services.approvals import propose_adjustments
from reports.services.counts import Found, enter_count, open_count_sheet
from reports.services.month_end import begin_month_end
from tests.reports.conftest import APRIL, G, on

Make = Callable[..., Any]


@pytest.fixture
def sheet(in_june: SimpleNamespace, at: Make) -> CountSheet:
    month_end = begin_month_end(first_day=APRIL, act=at(6, 1))
    place = in_june.works.places["fine-safe"]
    return open_count_sheet(month_end=month_end, place=place, act=at(6, 1))


def test_lots_of_a_place_are_those_that_stood_there_then(spring: SimpleNamespace) -> None:
    places = spring.works.places
    in_april, in_may = AsOf(on(4, 30)), AsOf(on(5, 4))
    assert spring.apart in lots_standing_at(places["feed-shelf"], in_april)
    assert spring.apart not in lots_standing_at(places["feed-shelf"], in_may)
    assert lots_standing_at(places["quarantine"], in_may) == [spring.apart]
    # What was melted has left nothing behind to count.
    assert spring.pooled not in lots_standing_at(places["feed-shelf"], in_april)


def test_lots_of_a_place_take_a_fixed_number_of_queries(
    spring: SimpleNamespace, at: Make, django_assert_num_queries: Any
) -> None:
    safe = spring.works.places["fine-safe"]
    parts = [Part(mass_ug=100 * G) for _ in range(5)]
    split_lot(lot=spring.crystal, parts=parts, act=at(5, 4))
    with django_assert_num_queries(3):
        assert len(lots_standing_at(safe, AsOf())) == 7


def test_blind_lines_never_ask_for_the_book(sheet: CountSheet) -> None:
    sql = str(blind_lines(sheet).query)
    assert "book_mass_ug" not in sql
    assert "book_volume_ul" not in sql


def test_a_month_knows_what_it_waits_for(
    sheet: CountSheet, in_june: SimpleNamespace, at: Make
) -> None:
    month = sheet.month_end.books_month
    assert list(open_sheets(month)) == [sheet]
    assert uncounted_lines(month).count() == 2
    for lot in (in_june.bar, in_june.crystal):
        enter_count(sheet=sheet, lot=lot, found=Found(missing=True), act=at(6, 1))
    assert not open_sheets(month).exists()
    assert not uncounted_lines(month).exists()
    propose_adjustments(sheet=sheet, causes={in_june.bar.code: "unexplained"}, act=at(6, 1))
    assert undecided(month).count() == 1


def test_a_late_fact_makes_a_count_stale(
    sheet: CountSheet, in_june: SimpleNamespace, at: Make, django_assert_num_queries: Any
) -> None:
    for lot in (in_june.bar, in_june.crystal):
        enter_count(sheet=sheet, lot=lot, found=Found(sighted=True), act=at(6, 1))
    month = sheet.month_end.books_month
    with django_assert_num_queries(5):
        assert stale_lines(month) == []
    write_off(lot=in_june.crystal, cause="fume", stage="store", act=at(5, 20), mass_ug=G)
    assert stale_lines(month) == []
    write_off(lot=in_june.crystal, cause="fume", stage="store", act=at(4, 21), mass_ug=G)
    assert [line.lot for line in stale_lines(month)] == [in_june.crystal]


def test_count_figures_take_two_queries(
    sheet: CountSheet, in_june: SimpleNamespace, at: Make, django_assert_num_queries: Any
) -> None:
    for lot in (in_june.bar, in_june.crystal):
        enter_count(sheet=sheet, lot=lot, found=Found(sighted=True), act=at(6, 1))
    with django_assert_num_queries(2):
        figures = count_figures(APRIL)
    assert [(each.lot, each.metal) for each in figures] == [
        (in_june.bar.code, "Ag"),
        (in_june.bar.code, "Au"),
        (in_june.bar.code, "Cu"),
        (in_june.crystal.code, "Ag"),
    ]
