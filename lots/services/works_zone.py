"""The works' time zone becomes a fact."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo, available_timezones

from django.conf import settings

from config.refusals import refuse
from lots import clock
from lots.models import WorksZone
from lots.queries.works_zone import fixed_zone, month_apart, works_zone


def fix_zone(name: str = "") -> None:
    """Writes down the zone named, or else proposed, unless there is one.

    Call it under the ledger's lock. Raises InvalidError `unknown_zone`; ConflictError `zone_fixed`
    when another than the one named is there, or `other_zone`: months that were begun before there
    was such a fact end at another zone's midnight, and which zone that is can't be told from them.
    """
    fixed = fixed_zone()
    if fixed is not None and name not in ("", fixed.key):
        raise refuse("zone_fixed", field="time_zone", value=name, zone=fixed.key)
    if fixed is not None:
        return
    month = month_apart(zone_named(name) if name else works_zone())
    if month is not None:
        raise refuse(
            "other_zone",
            field="month",
            value=str(month),
            month=month,
            dt=month.ends_at.astimezone(dt.UTC),
            time_zone=name or settings.TIME_ZONE,
        )
    WorksZone.objects.create(name=name or settings.TIME_ZONE, fixed_at=clock.now())


def zone_named(name: str) -> ZoneInfo:
    """Raises InvalidError `unknown_zone`."""
    if name not in available_timezones():
        raise refuse("unknown_zone", field="time_zone", value=name)
    return ZoneInfo(name)
