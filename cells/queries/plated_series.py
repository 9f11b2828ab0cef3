"""How much silver the charge passed so far would plate, at each reading of a run."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from cells.electrochemistry.coulometry import cumulative_ah
from cells.models import CellRun, RunReading
from cells.queries.current_series import series_of
from lots.elements import electrochemical_equivalent_g_per_ah

SILVER_G_PER_AH: Final = float(electrochemical_equivalent_g_per_ah("Ag", 1))


def plated_by_charge(run: CellRun, readings: Sequence[RunReading]) -> list[tuple[float, float]]:
    """(hours since switched on, grams), by Faraday's law at full current efficiency, gaps bridged.

    Empty while the readings tell no charge.
    """
    series = series_of(run, readings, run.stopped_at)
    if series is None or run.started_at is None:
        return []
    offset_h = (series.start - run.started_at).total_seconds() / 3600
    passed = cumulative_ah(series, bridge_gaps=True)
    return [
        (offset_h + float(hours), SILVER_G_PER_AH * float(ampere_hours))
        for hours, ampere_hours in zip(series.clock_h, passed, strict=True)
    ]
