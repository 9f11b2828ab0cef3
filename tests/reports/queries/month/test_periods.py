"""A month on the books has the bounds that were stored, in every report, whatever the zone."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from io import StringIO
from types import SimpleNamespace
from typing import Any

import pytest
from django.core.management import call_command
from django.urls import reverse

from lots.models import BooksMonth
from lots.services.write_off import write_off
from reports.queries.month.month_pack import month_pack
from reports.queries.month.months_on_books import months_on_books
from reports.queries.month.periods import day_bounds, month_period, month_periods
from reports.queries.month.statement_digest import is_as_signed, statement_digest, statement_digests
from reports.queries.movements_list import movement_rows
from reports.services.approvals import approve_month
from reports.services.month_end import begin_month_end, close_month, prepare_month
from tests.reports.conftest import APRIL, JUNE_NOON, G, on

Make = Callable[..., Any]
MARCH, MAY, JUNE = (dt.date(2026, month, 1) for month in (3, 5, 6))


def stored(first_day: dt.date, starts_at: dt.datetime, ends_at: dt.datetime) -> BooksMonth:
    return BooksMonth.objects.create(first_day=first_day, starts_at=starts_at, ends_at=ends_at)


@pytest.fixture
def closed_spring(in_june: SimpleNamespace, at: Make) -> SimpleNamespace:
    """March and April closed by Greenwich's time; in Auckland the last fume of April is May's."""
    write_off(lot=in_june.crystal, cause="fume", stage="store", act=at(4, 30, 13), mass_ug=G)
    accountant = at(6, 1, who=in_june.works.accountant)
    manager = at(6, 1, who=in_june.works.manager)
    for first_day in (MARCH, APRIL):
        in_june.month_end = begin_month_end(first_day=first_day, act=accountant)
        prepare_month(month_end=in_june.month_end, act=accountant)
        approve_month(month_end=in_june.month_end, act=manager)
        close_month(month_end=in_june.month_end, act=manager)
    return in_june


def test_a_month_begins_where_the_one_before_ended_and_ends_where_the_next_began(
    keep_time_in: Callable[[str], None], django_assert_num_queries: Any
) -> None:
    keep_time_in("Pacific/Auckland")
    stored(APRIL, on(4, 1, 0), on(5, 1, 0))
    stored(JUNE, on(6, 1, 0), on(7, 1, 0))
    month_period(APRIL)
    with django_assert_num_queries(2):  # the months, and the zone, which a transaction asks again
        march, april, may = month_periods([MARCH, APRIL, MAY])
    assert march.starts_at == dt.datetime(2026, 2, 28, 11, tzinfo=dt.UTC)
    assert march.ends_at == april.starts_at == on(4, 1, 0)
    assert april.ends_at == may.starts_at == on(5, 1, 0)
    assert may.ends_at == on(6, 1, 0)


def test_the_first_day_of_a_month_begins_with_it(keep_time_in: Callable[[str], None]) -> None:
    keep_time_in("Pacific/Auckland")
    stored(APRIL, on(4, 1, 0), on(5, 1, 0))
    assert day_bounds(dt.date(2026, 4, 30)) == (on(4, 29, 12), on(5, 1, 0))
    assert day_bounds(MAY) == (on(5, 1, 0), on(5, 1, 12))


def shown(api: Any, browser: Any, code: str) -> dict[str, Any]:
    """The figures of April wherever they are shown."""
    text = StringIO()
    call_command("month_end", "2026-04", csv=True, stdout=text)
    pack = month_pack(month_period(APRIL))
    month = api.get("/api/v1/reports/months/2026-04/").json()
    losses = api.get("/api/v1/reports/losses/?from_month=2026-03&to_month=2026-05").json()
    days = {"from_date": "2026-04-01", "to_date": "2026-04-30"}
    account = api.get(f"/api/v1/reports/accounts/{code}/", days).json()
    movements = api.get("/api/v1/reports/movements/", days).json()
    page = browser.get(reverse("account", args=[code]), {"month": "2026-04"})
    return {
        "statement": (pack.statement.metals, pack.statement.areas),
        "losses": pack.losses.rows,
        "claims": pack.claims,
        "movements": [(row.sequence, row.metal, row.mass_ug) for row in pack.movements()],
        "command": text.getvalue(),
        "api": (month["metals"], month["areas"]),
        "losses by month": losses["rows"],
        "account": [(each["opening"], each["closing"]) for each in account["metals"]],
        "account page": page.context["account"].metals,
        "movements of the days": [row["sequence"] for row in movements["rows"]],
        "all": {row.sequence for row in movement_rows(on(1, 1), JUNE_NOON)},
        "months": [
            (month.period, month.is_closed)
            for month in months_on_books(JUNE_NOON)
            if month.is_closed
        ],
    }


def test_a_closed_month_shows_the_figures_that_were_approved_by_whatever_clocks(
    closed_spring: SimpleNamespace,
    api_as: Make,
    browse_as: Make,
    keep_time_in: Callable[[str], None],
) -> None:
    works = closed_spring.works
    seen_by = api_as(works.manager), browse_as(works.manager), works.pellow.code
    approved = shown(*seen_by)
    assert any(row.cause == "fume" for row in approved["losses"])
    keep_time_in("Pacific/Auckland")
    now = shown(*seen_by)
    for what, figures in approved.items():
        assert now[what] == figures, what
    assert is_as_signed(closed_spring.month_end)
    # The months around it show what it does not, and each movement is in one of them.
    packs = [month_pack(period) for period in month_periods([MARCH, APRIL, MAY])]
    seen = [{row.sequence for row in pack.movements()} for pack in packs]
    assert sum(map(len, seen)) == len(set().union(*seen)) == len(approved["all"])


def test_digests_of_several_months_are_those_of_each(closed_spring: SimpleNamespace) -> None:
    periods = month_periods([MARCH, APRIL, MAY, JUNE])
    assert statement_digests(periods) == [statement_digest(each) for each in periods]
    assert len(set(statement_digests(periods))) == 4
    assert statement_digests([]) == []
    # Months that overlap, as they could before their bounds ruled: what is in both counts in both.
    long_april = type(periods[1])(APRIL, periods[1].starts_at, on(5, 20))
    both = [long_april, periods[2]]
    assert statement_digests(both) == [statement_digest(each) for each in both]
