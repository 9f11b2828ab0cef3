"""The month's account of each metal ties to the ledger to the microgram."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from decimal import Decimal
from types import SimpleNamespace
from typing import Any

import pytest

from config.refusals import RefusalError
from reports.conventions import ounces_of, percent_of
from reports.queries.inventory import inventory
from reports.queries.month.month_pack import month_pack
from reports.queries.month.month_statement import month_statement
from reports.queries.month.periods import Period, month_period, parse_month
from reports.services.month_end import begin_month_end, prepare_month
from tests.reports.conftest import held_ug

G = 1_000_000


def changes(metal: Any) -> dict[str, int]:
    return {line.account: line.change_ug for line in metal.lines if line.change_ug}


def test_statement_runs_from_opening_to_closing(spring: SimpleNamespace, april: Period) -> None:
    silver = month_statement(april).metals[0]
    assert silver.metal == "Ag"
    assert silver.opening_ug == 2000 * G
    assert changes(silver) == {
        "received": 925 * G + 479_200_000 + 560 * G,
        "loss": -5_000_001,
        # 479.2 g + 240 g went into the melt and 715.25783 g came out of it by assay.
        "melt-difference": -(719_200_000 - 715_257_830),
    }
    assert silver.closing_ug == held_ug("Ag", april.ends_at)
    assert silver.throughput_ug == 1_964_200_000
    assert not silver.is_counted
    assert silver.difference_percent is None


def test_statement_of_every_metal_ties_to_the_inventory_at_both_ends(
    spring: SimpleNamespace, april: Period
) -> None:
    statement = month_statement(april)
    assert [metal.metal for metal in statement.metals] == ["Ag", "Au", "Cu"]
    for end, name in ((april.opening(), "opening_ug"), (april.closing(), "closing_ug")):
        held = {each.metal: each.holdings_ug for each in inventory(end).positions}
        for metal in statement.metals:
            assert getattr(metal, name) == held.get(metal.metal, 0)
            assert getattr(metal, name) == sum(
                getattr(area, name) for area in statement.areas if area.metal == metal.metal
            )


def test_next_month_opens_with_what_this_one_closed_with(spring: SimpleNamespace) -> None:
    april, may = (month_statement(month_period(dt.date(2026, month, 1))) for month in (4, 5))
    assert [each.closing_ug for each in april.metals] == [each.opening_ug for each in may.metals]
    assert may.metals[0].change_ug("loss") == -2_400_000


def test_statement_tells_the_state_of_its_own_month(in_june: SimpleNamespace, at: Any) -> None:
    march, april = (month_period(dt.date(2026, month, 1)) for month in (3, 4))
    prepare_month(month_end=begin_month_end(first_day=march.first_day, act=at(6, 1)), act=at(6, 1))
    assert [month_statement(each).state for each in (march, april)] == ["prepared", "open"]


def test_statement_as_recorded_before_anything_is_empty(
    spring: SimpleNamespace, april: Period
) -> None:
    long_ago = dt.datetime(2026, 1, 1, tzinfo=dt.UTC)
    assert month_statement(april, recorded=long_ago).metals == ()


def test_month_pack_asks_a_fixed_number_of_queries(
    spring: SimpleNamespace, april: Period, django_assert_max_num_queries: Any
) -> None:
    with django_assert_max_num_queries(24):
        pack = month_pack(april)
        rows = list(pack.movements())
    assert {row.sequence for row in rows} == set(range(2, 9))
    assert sum(row.mass_ug for row in rows) == 0


def test_month_begins_at_midnight_of_the_works(keep_time_in: Callable[[str], None]) -> None:
    keep_time_in("Europe/Amsterdam")
    march = month_period(dt.date(2026, 3, 17))
    assert march.starts_at == dt.datetime(2026, 2, 28, 23, tzinfo=dt.UTC)
    # Summer time begins in it, so the month is an hour short.
    assert march.ends_at == dt.datetime(2026, 3, 31, 22, tzinfo=dt.UTC)
    assert str(march) == "2026-03"


@pytest.mark.parametrize("text", ["", "2026-13", "2026-1", "26-01", "2026-05-04", None, 202605])
def test_month_refused_when_it_is_not_one(text: object) -> None:
    with pytest.raises(RefusalError) as caught:
        parse_month(text)
    assert (caught.value.code, caught.value.field) == ("not_a_month", "month")


def test_percentages_round_halves_away_from_zero() -> None:
    assert percent_of(1, 2_000_000) == Decimal("0.0001")
    assert percent_of(-1, 2_000_000) == Decimal("-0.0001")
    assert percent_of(5, 0) is None
    assert str(percent_of(-1, 10**9)) == str(ounces_of(-1))[:6] == "0.0000"
