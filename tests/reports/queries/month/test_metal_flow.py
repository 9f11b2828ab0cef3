"""The month's streams between areas: every area balances to the microgram."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from config.drawing.charts import tabulate
from reports.pages.month_flow import flow_chart
from reports.queries.month.metal_flow import AREA, AreaStream, metal_flow
from reports.queries.month.month_statement import MonthStatement, month_statement
from reports.queries.month.periods import Period, month_period
from tests.reports.conftest import APRIL


def came_less_left(streams: tuple[AreaStream, ...], node: tuple[str, str]) -> int:
    came = sum(each.net_ug for each in streams if each.target == node)
    return came - sum(each.net_ug for each in streams if each.source == node)


def unbalanced(statement: MonthStatement) -> list[tuple[str, str]]:
    """The areas whose opening and streams do not make the closing, by metal."""
    wrong = []
    for metal in statement.metals:
        streams = metal_flow(statement.period, metal.metal)
        nodes = {node for each in streams for node in (each.source, each.target)}
        held = {each.area: each for each in statement.areas if each.metal == metal.metal}
        for area in {*held, *(code for kind, code in nodes if kind == AREA)}:
            change = held[area].change_ug if area in held else 0
            if came_less_left(streams, (AREA, area)) != change:
                wrong.append((metal.metal, area))
    return wrong


def between(streams: tuple[AreaStream, ...], source: str, target: str) -> int:
    return sum(
        each.net_ug for each in streams if (each.source[1], each.target[1]) == (source, target)
    )


def test_streams_of_april_go_from_receipt_by_the_melt_to_the_store(
    in_june: SimpleNamespace, april: Period
) -> None:
    streams = metal_flow(april, "Ag")
    # 1000 g of 925, 500 g of 958.4 and 700 g of 800 per mille came in.
    assert between(streams, "received", "feed_store") == 1_964_200_000
    # All of the second and 300 of the 700 g were melted.
    assert between(streams, "feed_store", "melt_shop") == 719_200_000
    assert between(streams, "fine_store", "loss") == 5_000_001
    assert between(streams, "melt_shop", "fine_store") == pytest.approx(715_257_830, abs=1)
    assert unbalanced(month_statement(april)) == []


def test_lot_that_is_moved_takes_its_metal_to_the_other_area(in_june: SimpleNamespace) -> None:
    may = month_period(APRIL.replace(month=5))
    assert between(metal_flow(may, "Ag"), "feed_store", "quarantine") == 925_000_000
    assert unbalanced(month_statement(may)) == []


def test_streams_take_three_queries(
    in_june: SimpleNamespace, april: Period, django_assert_num_queries: Any
) -> None:
    with django_assert_num_queries(3):
        metal_flow(april, "Ag")


def test_chart_leads_from_opening_to_closing_stock(in_june: SimpleNamespace, april: Period) -> None:
    chart = flow_chart("Ag", month_statement(april))
    assert chart is not None
    rows = tabulate(chart).rows
    assert ("Received", "Feed store", "1\u202f964.200", "", "1\u202f964.200") in rows
    assert ("Fine store", "Losses", "5.000", "", "5.000") in rows
    assert {row[0] for row in rows} >= {"Opening stock", "Feed store", "Melt shop"}
    assert {row[1] for row in rows} >= {"Closing stock", "Differences"}
    for knot in chart.knots:
        came = sum(each.net for each in chart.streams if each.target == knot.key)
        left = sum(each.net for each in chart.streams if each.source == knot.key)
        if knot.key.startswith(AREA):
            assert came == pytest.approx(left), knot.name
