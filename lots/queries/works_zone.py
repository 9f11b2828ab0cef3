"""The time zone of the works: a fact in the database, whatever a process was told."""

from __future__ import annotations

import datetime as dt
from typing import Any, Final
from zoneinfo import ZoneInfo

from django.conf import settings
from django.core.checks import CheckMessage
from django.core.checks import Error as Fault
from django.db import DEFAULT_DB_ALIAS, Error, connection

from lots.models import BooksMonth, WorksZone

# Never changes once it is fixed, so no other process can make it stale.
_kept: Final[dict[str, ZoneInfo]] = {}


def works_zone() -> ZoneInfo:
    """The zone by which the works' days and months begin, and its clocks are shown.

    Before one is fixed, what `WORKS_TIME_ZONE` proposes, or UTC.
    """
    return fixed_zone() or ZoneInfo(settings.TIME_ZONE)


def fixed_zone() -> ZoneInfo | None:
    """The zone in the database; None while there is none. Asked for until it is there."""
    if DEFAULT_DB_ALIAS in _kept:
        return _kept[DEFAULT_DB_ALIAS]
    rows = WorksZone.objects.using(DEFAULT_DB_ALIAS).order_by("pk")
    name = rows.values_list("name", flat=True).first()
    if name is None:
        return None
    zone = ZoneInfo(name)
    if not connection.in_atomic_block:  # else it may be taken back with this very transaction
        _kept[DEFAULT_DB_ALIAS] = zone
    return zone


def next_month(day: dt.date) -> dt.date:
    """The first day of the month after a day's."""
    return (day.replace(day=1) + dt.timedelta(days=32)).replace(day=1)


def works_midnight(day: dt.date, zone: ZoneInfo | None = None) -> dt.datetime:
    """When a day begins at the works, in UTC."""
    return dt.datetime.combine(day, dt.time(), zone or works_zone()).astimezone(dt.UTC)


def month_apart(zone: ZoneInfo) -> BooksMonth | None:
    """The last month on the books, if it does not end at midnight in this zone."""
    month = BooksMonth.objects.order_by("-first_day").first()
    if month is None or month.ends_at == works_midnight(next_month(month.first_day), zone):
        return None
    return month


def contradiction() -> str:
    """What a set `WORKS_TIME_ZONE` says against the database, and what to do; else empty."""
    asked = settings.WORKS_TIME_ZONE
    fixed = fixed_zone() if asked else None
    if fixed is not None and fixed.key != asked:
        return (
            f"WORKS_TIME_ZONE is {asked}, but these books are kept in {fixed.key}. "
            f"Unset it, or set it to {fixed.key}."
        )
    month = month_apart(ZoneInfo(asked)) if asked and fixed is None else None
    if month is not None:
        return (
            f"WORKS_TIME_ZONE is {asked}, but on these books {month} ends at "
            f"{month.ends_at.astimezone(dt.UTC):%Y-%m-%d %H:%M} UTC, which is no midnight there. "
            "Set it to the zone that the works keeps, or unset it."
        )
    return ""


def check_zone(**given: Any) -> list[CheckMessage]:
    """Django's check, as every process starts: none may keep another time than the books."""
    try:
        said = contradiction()
    except Error:  # no tables yet, or no database, which is not for this to tell
        return []
    return [Fault(said, id="lots.E001")] if said else []
