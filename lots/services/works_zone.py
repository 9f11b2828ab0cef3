"""The works' time zone becomes a fact."""

from __future__ import annotations

import datetime as dt

from django.conf import settings

from config.refusals import refuse
from lots import clock
from lots.models import WorksZone
from lots.queries.works_zone import fixed_zone, month_apart, works_zone


def fix_zone() -> None:
    """Writes down the zone proposed, unless there is one. Call it under the ledger's lock.

    Raises ConflictError `other_zone`: months that were begun before there was such a fact end at
    another zone's midnight, and which zone that is can't be told from them.
    """
    if fixed_zone() is not None:
        return
    month = month_apart(works_zone())
    if month is not None:
        raise refuse(
            "other_zone",
            field="month",
            value=str(month),
            month=month,
            dt=month.ends_at.astimezone(dt.UTC),
            time_zone=settings.TIME_ZONE,
        )
    WorksZone.objects.create(name=settings.TIME_ZONE, fixed_at=clock.now())
