"""Where a run's readings leave a gap too long to be bridged unasked."""

from __future__ import annotations

from cells.electrochemistry.coulometry import Gap, count_charge
from cells.models import CellRun
from cells.queries.current_series import ammeter_of, readings_of, series_of


def gaps_of(run: CellRun) -> tuple[Gap, ...]:
    """The gaps between the run's start and its stop, or its latest reading; two queries."""
    series = series_of(run, readings_of(run), run.stopped_at)
    return () if series is None else count_charge(series, ammeter_of(run.cell)).gaps
