"""A run's readings as the series of current that coulometry reads."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from django.conf import settings
from django.db.models import Prefetch, QuerySet

from cells.electrochemistry.coulometry import Ammeter
from cells.electrochemistry.current_series import (
    MAX_GAP_H,
    CurrentSeries,
    PowerCut,
    PowerOn,
    Reading,
    read_series,
)
from cells.models import Cell, CellRun, PowerStatement, RunReading
from config.refusals import InvalidError


def readings_of(run: CellRun, until: dt.datetime | None = None) -> list[RunReading]:
    """The run's readings that count, in order, one query."""
    readings = RunReading.objects.filter(run=run, withdrawal__isnull=True)
    if until is not None:
        readings = readings.filter(taken_at__lte=until)
    return list(readings.order_by("taken_at", "id"))


def power_statements_of(run: CellRun) -> list[PowerStatement]:
    """What somebody vouches for: the times of the run at which the power was on.

    One query, or none where they were fetched with the run by `with_power_statements`.
    """
    fetched: list[PowerStatement] | None = getattr(run, "vouched", None)
    return list(_standing_statements().filter(run=run)) if fetched is None else fetched


def with_power_statements() -> Prefetch[str, QuerySet[PowerStatement], str]:
    """For `prefetch_related` of runs whose series are wanted."""
    return Prefetch("power_statements", _standing_statements(), to_attr="vouched")


def _standing_statements() -> QuerySet[PowerStatement]:
    return PowerStatement.objects.filter(withdrawal__isnull=True)


def series_of(
    run: CellRun, readings: Sequence[RunReading], end: dt.datetime | None = None
) -> CurrentSeries | None:
    """The current from the start of the run to `end`, or None when it can't be told.

    From the start to the first reading, and from the last one to `end`, the nearest reading is
    held; where that is longer than the longest gap allowed, it is a gap like any other, unless
    somebody vouches that the power was on. One query.
    """
    if not readings:
        return None
    points = [Reading(each.taken_at, float(each.current_a)) for each in readings]
    if run.started_at is not None and run.started_at < points[0].at:
        points.insert(0, Reading(run.started_at, points[0].current_a))
    last = readings[-1]
    if end is not None and end > last.taken_at and not last.is_interruption:
        points.append(Reading(end, float(last.current_a)))
    elif end is not None and end > last.taken_at:
        points.append(Reading(end, 0.0))
    if len(points) < 2:
        return None
    try:
        return read_series(
            points,
            power_cuts=power_cuts_of(readings, end),
            power_on=[PowerOn(each.since, each.until) for each in power_statements_of(run)],
            max_gap_h=max_gap_h(),
        )
    except InvalidError as refusal:
        # All but one reading lie in power cuts: no charge can be told from what is left.
        if refusal.code == "too_few_readings":
            return None
        raise


def ammeter_of(cell: Cell) -> Ammeter:
    """The cell's ammeter as coulometry takes it."""
    return Ammeter(
        u_gain=float(cell.ammeter_gain_u),
        u_reading_a=float(cell.ammeter_reading_u_a),
        u_zero_a=float(cell.ammeter_zero_u_a),
    )


def max_gap_h() -> float:
    """The longest time between readings that is bridged unasked; the works may set its own."""
    return float(getattr(settings, "CELL_MAX_GAP_H", MAX_GAP_H))


def power_cuts_of(readings: Sequence[RunReading], end: dt.datetime | None) -> list[PowerCut]:
    """Each interruption, until the next reading or the end."""
    following = [*(each.taken_at for each in readings[1:]), end]
    return [
        PowerCut(each.taken_at, until)
        for each, until in zip(readings, following, strict=True)
        if each.is_interruption and until is not None and until > each.taken_at
    ]
