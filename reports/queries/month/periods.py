"""Which moments a month of the books spans.

What is stored of a month that was begun rules everywhere; any other month lies between what is
stored of its neighbours, or else the midnights of the works. So no moment is in two months or none.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from django.utils import timezone

from config.refusals import refuse
from lots.ledger.holdings import AsOf
from lots.models import BooksMonth
from lots.queries.works_zone import next_month, works_midnight, works_zone

_MONTH: Final = re.compile(r"(20[0-9]{2})-(0[1-9]|1[0-2])")
INSTANT: Final = dt.timedelta(microseconds=1)


@dataclass(frozen=True)
class Period:
    """From `starts_at` up to, not including, `ends_at`; `first_day` names it."""

    first_day: dt.date
    starts_at: dt.datetime
    ends_at: dt.datetime

    def __str__(self) -> str:
        return self.first_day.strftime("%Y-%m")

    def opening(self, recorded: dt.datetime | None = None) -> AsOf:
        """The last instant before it."""
        return AsOf(self.starts_at - INSTANT, recorded)

    def closing(self, recorded: dt.datetime | None = None) -> AsOf:
        """Its own last instant."""
        return AsOf(self.ends_at - INSTANT, recorded)


def month_period(day: dt.date) -> Period:
    """The month of a day."""
    return month_periods([day])[0]


def month_periods(days: Iterable[dt.date]) -> list[Period]:
    """The months of several days, in one query."""
    stored = {month.first_day: period_of(month) for month in BooksMonth.objects.all()}
    ends = {next_month(period.first_day): period.ends_at for period in stored.values()}
    found = []
    for day in days:
        first_day = day.replace(day=1)
        after = next_month(first_day)
        found.append(
            stored.get(first_day)
            or Period(
                first_day,
                ends.get(first_day) or works_midnight(first_day),
                stored[after].starts_at if after in stored else works_midnight(after),
            )
        )
    return found


def parse_month(text: object, *, field: str = "month") -> Period:
    """The month written as in "2026-05". Raises InvalidError `not_a_month`."""
    return month_period(parse_first_day(text, field=field))


def parse_first_day(text: object, *, field: str = "month") -> dt.date:
    """The first day of a month written as in "2026-05". Raises InvalidError `not_a_month`."""
    match = _MONTH.fullmatch(text) if isinstance(text, str) else None
    if match is None:
        raise refuse("not_a_month", field=field, value=text)
    return dt.date(int(match[1]), int(match[2]), 1)


def month_or_last_closed(text: str) -> Period:
    """The month written, or the last one closed when none is; raises as `parse_month`."""
    closed = BooksMonth.objects.filter(state=BooksMonth.State.CLOSED).order_by("first_day").last()
    return period_of(closed) if closed is not None and not text else parse_month(text)


def period_of(month: BooksMonth) -> Period:
    return Period(month.first_day, month.starts_at, month.ends_at)


def local_day(moment: dt.datetime) -> dt.date:
    """The day of `moment` at the works."""
    return timezone.localdate(moment, works_zone())


def day_start(day: dt.date) -> dt.datetime:
    """When a day begins at the works; the first of a month begins with the month."""
    return month_period(day).starts_at if day.day == 1 else works_midnight(day)


def day_bounds(day: dt.date) -> tuple[dt.datetime, dt.datetime]:
    """A day at the works: from its beginning up to, not including, the next day's."""
    return day_start(day), day_start(day + dt.timedelta(days=1))
