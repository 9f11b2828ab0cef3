"""What is due each day, and which backups are kept: plain reckoning, without a clock or a file."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Hashable, Iterable, Mapping
from dataclasses import dataclass
from typing import Final

DAYS: Final = 7
WEEKS: Final = 5
MONTHS: Final = 12
# What failed is tried again, as when the stick is in its place by then.
AGAIN_AFTER: Final = dt.timedelta(hours=1)
_PERIODS: Final[tuple[tuple[int, Callable[[dt.date], Hashable]], ...]] = (
    (DAYS, lambda day: day),
    (WEEKS, lambda day: day.isocalendar()[:2]),
    (MONTHS, lambda day: (day.year, day.month)),
)


@dataclass(frozen=True)
class Ran:
    """When a chore was last tried, when it last went well, and what it said."""

    tried_at: dt.datetime
    well_at: dt.datetime | None
    said: str

    @property
    def is_well(self) -> bool:
        return self.well_at == self.tried_at


def due(names: Iterable[str], ran: Mapping[str, Ran], now: dt.datetime) -> list[str]:
    """The chores to do now, in order: each once a day of `now`'s zone, and again once it failed."""
    return [name for name in names if name not in ran or _is_due(ran[name], now)]


def _is_due(last: Ran, now: dt.datetime) -> bool:
    if last.well_at is not None and last.well_at.astimezone(now.tzinfo).date() >= now.date():
        return False
    return last.is_well or now - last.tried_at >= AGAIN_AFTER


def to_drop(moments: Iterable[dt.datetime], zone: dt.tzinfo) -> set[dt.datetime]:
    """The backups that may go: all but the latest of each of the last days, weeks and months.

    Only days, weeks and months that have a backup count, so that a works that stood still keeps its
    old ones. The latest backup always stays.
    """
    latest_first = sorted(moments, reverse=True)
    kept: set[dt.datetime] = set()
    for count, period_of in _PERIODS:
        of_period: dict[Hashable, dt.datetime] = {}
        for moment in latest_first:
            of_period.setdefault(period_of(moment.astimezone(zone).date()), moment)
        kept |= set([*of_period.values()][:count])
    return set(latest_first) - kept
