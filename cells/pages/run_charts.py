"""A run's charts: current, voltage, silver plated, and the bath against its limits."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Final

import numpy as np

from cells.estimate.answers import range_of
from cells.estimate.outlook import band_of
from cells.estimate.paths import Held
from cells.models import CellRun, RunReading
from cells.queries.run_estimate import RunNow
from config.drawing.charts import Band, Limit, LineChart, Series

SECONDS_PER_HOUR: Final = 3600.0
HOURS: Final = "hours since switched on"
POINTS: Final = 25


def hours_of(run: CellRun, reading: RunReading) -> float:
    assert run.started_at is not None
    return (reading.taken_at - run.started_at).total_seconds() / SECONDS_PER_HOUR


def current_chart(run: CellRun, readings: Sequence[RunReading]) -> LineChart:
    points = [(hours_of(run, each), float(each.current_a)) for each in readings]
    return LineChart(
        f"Current of run {run.code}",
        HOURS,
        "amperes",
        [Series("Current", points, "one")],
        limits=[Limit("limit of the cell", float(run.cell.current_limit_a))],
        decimals=1,
    )


def voltage_chart(run: CellRun, readings: Sequence[RunReading]) -> LineChart | None:
    points = [
        (hours_of(run, each), float(each.voltage_v))
        for each in readings
        if each.voltage_v is not None
    ]
    if len(points) < 2:
        return None
    return LineChart(
        f"Voltage of run {run.code}", HOURS, "volts", [Series("Voltage", points, "three")]
    )


def plated_chart(run: CellRun, now: RunNow) -> LineChart:
    """Silver plated as estimated, so far and ahead, with its 95 % interval."""
    series, band = _course(now, "Crystal", "Ag", lambda held: held.plated_g)
    return LineChart(
        f"Silver plated in run {run.code}", HOURS, "grams", series, bands=[band], decimals=1
    )


def bath_chart(run: CellRun, readings: Sequence[RunReading], now: RunNow) -> LineChart:
    """Silver and copper in the bath: as estimated, as found, and ahead; against the limits."""
    series: list[Series] = []
    bands: list[Band] = []
    for name, field, accent in (("Silver", "silver", "Ag"), ("Copper", "copper", "Cu")):
        lines, band = _course(now, name, accent, _per_litre(f"{field}_g"))
        series += lines
        bands.append(band)
        found = [
            (hours_of(run, each), float(value))
            for each in readings
            if (value := getattr(each, f"{field}_g_per_l")) is not None
        ]
        found += [
            (each.hours, each.found.value)
            for each in now.known.facts.measured
            if each.quantity == f"{field}_g_per_l" and not each.name
        ]
        if found:
            series.append(Series(f"{name} as found", sorted(found), accent, apart=True))
    return LineChart(
        f"Electrolyte of run {run.code}",
        HOURS,
        "grams per litre",
        series,
        bands=bands,
        limits=[
            Limit("most copper", float(run.cell.copper_limit_g_per_l)),
            Limit("least silver", float(run.cell.silver_min_g_per_l)),
        ],
        decimals=1,
    )


def _per_litre(grams: str) -> Callable[[Held], Any]:
    return lambda held: getattr(held, grams) / held.volume_l


def _course(
    now: RunNow, name: str, accent: str, quantity: Callable[[Held], Any]
) -> tuple[list[Series], Band]:
    """One quantity from the start to now, and dotted from now to the end."""
    facts = now.known.facts
    end_h = facts.last_h
    ahead = facts.ended_h is None and facts.stopped_h is None and len(facts.hours) >= 3
    if ahead:
        end_h = max(end_h, range_of(now.found.end_h).value)
    past = [float(hour) for hour in np.linspace(0.0, facts.last_h, POINTS)]
    future = [float(hour) for hour in np.linspace(facts.last_h, end_h, POINTS)] if ahead else []
    drawn = band_of(now.found, past + future, quantity)
    points = [(hour, value) for hour, value, _, _ in drawn]
    series = [Series(f"{name} so far", points[:POINTS], accent)]
    if future:
        series.append(Series(f"{name} ahead", points[POINTS:], accent, dotted=True))
    band = Band(f"{name}, 95 % interval", [(h, low, high) for h, _, low, high in drawn], accent)
    return series, band
