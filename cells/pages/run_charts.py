"""A run's charts: current, voltage, silver plated, and the bath against its limits."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from cells.electrochemistry.electrolyte_state import COPPER, COVERAGE_FACTOR, SILVER, Estimate
from cells.electrochemistry.forecast import Band as ForecastBand
from cells.models import CellRun, RunReading
from cells.queries.current_series import plated_by_charge
from cells.queries.run_forecast import RunForecast
from cells.queries.run_state import RunNow
from config.drawing.charts import Band, Limit, LineChart, Series

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
                "Ag",
            )
        )
    return LineChart(
        f"Silver plated in run {run.code}", HOURS, "grams", series, bands=bands, decimals=1
    )


def bath_chart(
    run: CellRun,
    readings: Sequence[RunReading],
    now: RunNow | None,
    forecast: RunForecast | None,
) -> LineChart | None:
    """Silver and copper in the bath: by the charge so far, as found, ahead; against the limits."""
    series: list[Series] = []
    bands: list[Band] = []
    for name, column, field, accent in (
        ("Silver", SILVER, "silver_g_per_l", "Ag"),
        ("Copper", COPPER, "copper_g_per_l", "Cu"),
    ):
        course = _course(run, readings, now, column)
        if course:
            series.append(
                Series(f"{name} by the charge", [(x, e.value) for x, e in course], accent)
            )
            bands.append(
                Band(
                    f"{name}, 95 % interval",
                    [
                        (x, e.value - COVERAGE_FACTOR * e.u, e.value + COVERAGE_FACTOR * e.u)
                        for x, e in course
                    ]
                    + _ahead_band(run, now, forecast, field),
                    accent,
                )
            )
            series += _ahead(course[-1], run, now, forecast, (name, field, accent))
        found = [
            (hours_of(run, each), float(value))
            for each in readings
            if (value := getattr(each, field)) is not None
        ]
        if found:
            series.append(Series(f"{name} as found", found, accent, apart=True))
    if not series:
        return None
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


def _course(
    run: CellRun, readings: Sequence[RunReading], now: RunNow | None, column: int
) -> list[tuple[float, Estimate]]:
    """Hours since switched on, and the concentration there: along each leg in step with charge."""
    passed = plated_by_charge(run, readings)
    if now is None or run.started_at is None or not passed:
        return []
    hours, plated = zip(*passed, strict=True)
    course = []
    for leg in now.legs:
        begin, end = (
            (moment - run.started_at).total_seconds() / SECONDS_PER_HOUR
            for moment in (leg.begins_at, leg.ends_at)
        )
        first, last = leg.begins.concentration(column), leg.ends.concentration(column)
        there = [begin, *(hour for hour in hours if begin < hour < end), end]
        charge = np.interp(there, hours, plated)
        whole = charge[-1] - charge[0] or 1.0
        for hour, share in zip(there, (charge - charge[0]) / whole, strict=True):
            value = first.value + share * (last.value - first.value)
            course.append(
                (hour, Estimate(float(value), float(first.u + share * (last.u - first.u))))
            )
    return course


def _end_of(
    run: CellRun, now: RunNow | None, forecast: RunForecast | None, field: str
) -> tuple[float, ForecastBand] | None:
    """When the anode is exhausted, in hours since switched on, and the concentration then."""
    ahead = forecast.forecast if forecast is not None else None
    if ahead is None or now is None or run.started_at is None or ahead.exhausted is None:
        return None
    then: ForecastBand | None = getattr(ahead, field)
    if then is None or ahead.exhausted.hours is None:
        return None
    passed = (now.as_of - run.started_at).total_seconds() / SECONDS_PER_HOUR
    return passed + ahead.exhausted.hours, then


def _ahead(
    last: tuple[float, Estimate],
    run: CellRun,
    now: RunNow | None,
    forecast: RunForecast | None,
    named: tuple[str, str, str],
) -> list[Series]:
    name, field, accent = named
    end = _end_of(run, now, forecast, field)
    if end is None:
        return []
    points = [(last[0], last[1].value), (end[0], end[1].value)]
    return [Series(f"{name} ahead", points, accent, dotted=True)]


def _ahead_band(
    run: CellRun, now: RunNow | None, forecast: RunForecast | None, field: str
) -> list[tuple[float, float, float]]:
    end = _end_of(run, now, forecast, field)
    return [] if end is None else [(end[0], end[1].low, end[1].high)]
