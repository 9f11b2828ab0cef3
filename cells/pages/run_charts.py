"""A run's charts: current, voltage, silver plated, and the bath against its limits."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from cells.models import CellRun, RunReading
from cells.queries.plated_series import plated_by_charge
from cells.queries.run_forecast import RunForecast
from config.charts import Band, Limit, LineChart, Series

SECONDS_PER_HOUR: Final = 3600.0
HOURS: Final = "hours since switched on"


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


def plated_chart(
    run: CellRun, readings: Sequence[RunReading], forecast: RunForecast | None
) -> LineChart | None:
    """Silver by Faraday's law from the readings, and the forecast with its 95 % interval."""
    plated = plated_by_charge(run, readings)
    if len(plated) < 2:
        return None
    series = [Series("By the charge so far", plated, "Ag")]
    bands: list[Band] = []
    ahead = forecast.forecast if forecast is not None else None
    if ahead is not None and ahead.exhausted and ahead.exhausted.hours and ahead.harvest_g:
        begin, reached = plated[-1]
        end, harvest = begin + ahead.exhausted.hours, ahead.harvest_g
        series.append(
            Series("Forecast", [(begin, reached), (end, harvest.value)], "Ag", dotted=True)
        )
        bands.append(
            Band(
                "Forecast, 95 % interval",
                [(begin, reached, reached), (end, harvest.low, harvest.high)],
            )
        )
    return LineChart(
        f"Silver plated in run {run.code}", HOURS, "grams", series, bands=bands, decimals=1
    )


def bath_chart(run: CellRun, readings: Sequence[RunReading]) -> LineChart | None:
    """Silver and copper found in the bath, against the cell's limits."""
    series = []
    for name, field, accent in (
        ("Silver", "silver_g_per_l", "Ag"),
        ("Copper", "copper_g_per_l", "Cu"),
    ):
        points = [
            (hours_of(run, each), float(value))
            for each in readings
            if (value := getattr(each, field)) is not None
        ]
        if points:
            series.append(Series(name, points, accent))
    if not series:
        return None
    return LineChart(
        f"Electrolyte of run {run.code}",
        HOURS,
        "grams per litre",
        series,
        limits=[
            Limit("most copper", float(run.cell.copper_limit_g_per_l)),
            Limit("least silver", float(run.cell.silver_min_g_per_l)),
        ],
        decimals=1,
    )
