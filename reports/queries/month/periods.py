"""Which moments a month of the books spans, in the works' time zone."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from typing import Final

from django.utils import timezone

from config.refusals import refuse
from lots.ledger.holdings import AsOf
from lots.models import BooksMonth

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


def month_period(first_day: dt.date) -> Period:
    """The month of `first_day`: local midnight to local midnight, whatever the clocks do in it."""
    first_day = first_day.replace(day=1)
    return Period(first_day, _midnight(first_day), _midnight(next_month(first_day)))


def parse_month(text: object, *, field: str = "month") -> Period:
    """The month written as in "2026-05". Raises InvalidError `not_a_month`."""
    match = _MONTH.fullmatch(text) if isinstance(text, str) else None
    if match is None:
        raise refuse("not_a_month", field=field, value=text)
    return month_period(dt.date(int(match[1]), int(match[2]), 1))


def month_or_last_closed(text: str) -> Period:
    """The month written, or the last one closed when none is; raises as `parse_month`."""
    closed = BooksMonth.objects.filter(state=BooksMonth.State.CLOSED).order_by("first_day").last()
    return period_of(closed) if closed is not None and not text else parse_month(text)


def period_of(month: BooksMonth) -> Period:
    return Period(month.first_day, month.starts_at, month.ends_at)


def next_month(first_day: dt.date) -> dt.date:
    return (first_day.replace(day=1) + dt.timedelta(days=32)).replace(day=1)


def local_day(moment: dt.datetime) -> dt.date:
    """The day of `moment` at the works."""
    return timezone.localdate(moment, timezone.get_default_timezone())


def day_bounds(day: dt.date) -> tuple[dt.datetime, dt.datetime]:
    """A day at the works: from its midnight up to, not including, the next."""
    return _midnight(day), _midnight(day + dt.timedelta(days=1))


def _midnight(day: dt.date) -> dt.datetime:
    midnight = dt.datetime.combine(day, dt.time(), timezone.get_default_timezone())
    return midnight.astimezone(dt.UTC)
