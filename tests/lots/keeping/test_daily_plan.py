"""Which backups are kept, whatever their moments, and what is due."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.keeping.daily_plan import DAYS, MONTHS, WEEKS, Ran, due, to_drop

ZONE = ZoneInfo("Europe/Amsterdam")
BEGAN = dt.datetime(2024, 1, 1, 3, tzinfo=dt.UTC)
moments = st.sets(st.integers(0, 900 * 24), max_size=50).map(
    lambda hours: {BEGAN + dt.timedelta(hours=each) for each in hours}
)


def test_after_two_years_of_daily_backups_a_week_five_weeks_and_a_year_are_left():
    every = [BEGAN + dt.timedelta(days=day) for day in range(730)]
    dropped: set[dt.datetime] = set()
    for count in range(1, len(every) + 1):
        standing = [each for each in every[:count] if each not in dropped]
        dropped |= to_drop(standing, ZONE)
    left = [each.astimezone(ZONE).date() for each in every if each not in dropped]
    # The last day of this set is Tuesday, 30 December 2025.
    assert left[-7:] == [dt.date(2025, 12, day) for day in range(24, 31)]
    sundays = [dt.date(2025, 12, day) for day in (7, 14, 21, 28)]
    assert set(sundays) <= set(left)
    month_ends = [dt.date(2025, month + 1, 1) - dt.timedelta(days=1) for month in range(1, 12)]
    assert set(month_ends) <= set(left)
    assert len(left) == 7 + 3 + 11


@given(moments)
def test_what_is_kept_is_the_latest_of_its_period_and_no_more_than_promised(made):
    kept = made - to_drop(made, ZONE)
    assert not made or max(made) in kept
    assert len(kept) <= DAYS + WEEKS + MONTHS
    days = sorted({each.astimezone(ZONE).date() for each in made})
    for day in days[-DAYS:]:
        of_day = [each for each in made if each.astimezone(ZONE).date() == day]
        assert max(of_day) in kept
    months = sorted({(day.year, day.month) for day in days})
    for month in months[-MONTHS:]:
        assert any(
            (local := each.astimezone(ZONE)).year == month[0] and local.month == month[1]
            for each in kept
        )


@given(moments)
def test_dropping_twice_drops_no_more(made):
    kept = made - to_drop(made, ZONE)
    assert to_drop(kept, ZONE) == set()


@given(moments, st.integers(1, 400))
def test_a_new_backup_never_drops_a_month_that_is_not_beyond_the_last_twelve(made, hours):
    kept = made - to_drop(made, ZONE)
    new = max([*made, BEGAN]) + dt.timedelta(hours=hours)
    after = (kept | {new}) - to_drop(kept | {new}, ZONE)
    months = sorted(
        {(each.astimezone(ZONE).year, each.astimezone(ZONE).month) for each in kept | {new}}
    )[-MONTHS:]
    assert {(each.astimezone(ZONE).year, each.astimezone(ZONE).month) for each in after} >= set(
        months
    )


NOW = dt.datetime(2026, 5, 4, 0, 30, tzinfo=ZONE)


@pytest.mark.parametrize(
    ("ran", "is_due"),
    [
        (None, True),
        (Ran(NOW, NOW, ""), False),
        # Half past eleven the evening before, by the works' clock and not by Greenwich's.
        (Ran(NOW - dt.timedelta(hours=1), NOW - dt.timedelta(hours=1), ""), True),
        (Ran(NOW - dt.timedelta(minutes=59), None, "failed"), False),
        (Ran(NOW - dt.timedelta(minutes=60), None, "failed"), True),
        (Ran(NOW - dt.timedelta(minutes=59), NOW - dt.timedelta(days=2), "failed"), False),
    ],
)
def test_a_chore_is_due_once_a_day_and_an_hour_after_it_failed(ran, is_due):
    assert due(["backup"], {"backup": ran} if ran else {}, NOW) == (["backup"] if is_due else [])
