"""When will a run's anode be exhausted, and what will the cell hold then?

The current's trend says how fast charge passes; Faraday's law and the anode's composition say what
each ampere-hour does. Uncertainty is carried by a fixed set of evenly spread points, so the same
readings always give the same forecast.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from scipy.special import chdtri, ndtr, ndtri

from cells.electrochemistry.checked_numbers import checked
from cells.electrochemistry.current_trend import (
    MODEL_BY_NAME,
    ORIGIN_MIN,
    Trend,
    block_readings,
    fit_trends,
)
from cells.electrochemistry.electrolysis import (
    SILVER_G_PER_AH,
    AnodeComposition,
    anode_consumed_g_per_ah,
)
from cells.electrochemistry.electrolyte_state import Estimate
from config.refusals import refuse

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

COVERAGE: Final = 0.95
POINTS: Final = 512
# Columns of the point set, one per uncertain input.
START, CHARGE, EFFICIENCY, SILVER, COPPER, VOLUME, NOW, SLOPE, SPREAD, DRIFT = range(10)
DIMENSIONS: Final = 10
# A forecast past this is called never: no charge hangs in a cell for a year.
HOURS_MAX: Final = 24.0 * 366
EFFICIENCY_MIN: Final = 0.05
EFFICIENCY_MAX: Final = 1.1
REACH_MAX: Final = 10.0


@dataclass(frozen=True)
class RunSoFar:
    """A run as it stands at its last reading, at `as_of`.

    `hours` and `current_a` are the readings on an axis of powered hours. `anode_g` is what was hung
    in the cell, of which `anode` is the composition, less the remnant expected to be taken back.
    `charge_ah` has passed since. Silver and copper are the grams in the electrolyte now; its volume
    is taken to be kept by top-up with water.
    """

    as_of: datetime.datetime
    hours: Sequence[float] | Floats
    current_a: Sequence[float] | Floats
    anode: AnodeComposition
    anode_g: Estimate
    charge_ah: Estimate
    silver_g: Estimate
    copper_g: Estimate
    volume_l: Estimate
    efficiency: Estimate = field(default_factory=lambda: Estimate(1.0))
    copper_limit_g_per_l: float = 60.0
    silver_min_g_per_l: float = 30.0


@dataclass(frozen=True)
class ForecastRules:
    """When readings are too few: fewer than these, or reaching over too short a time.

    `horizon_ratio_max` is how many times the time already seen may be foretold. Choices of method;
    common practice, no source.
    """

    readings_min: int = 8
    hours_min: float = 6.0
    horizon_ratio_max: float = 20.0


@dataclass(frozen=True)
class Band:
    """A quantity with its 95 % prediction interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Event:
    """When something happens, hours after `as_of` and as a moment; None where it does not.

    `value` is the middle forecast; a `high` of None means that within the interval it may not
    happen in this run. `probability` is the share of the forecast's points in which it does.
    """

    hours: float | None
    hours_low: float | None
    hours_high: float | None
    at: datetime.datetime | None
    at_low: datetime.datetime | None
    at_high: datetime.datetime | None
    probability: float


@dataclass(frozen=True)
class Forecast:
    """What lies ahead of a run, or why that cannot be said yet.

    `state` is "forecast" or "too_few_readings"; in the second every figure is None. `model` names
    the trend and `scores` the cross-validated relative error of every model tried. Quantities are
    those at the moment the anode is exhausted.
    """

    state: Literal["forecast", "too_few_readings"]
    reason: str
    model: str | None = None
    scores: Mapping[str, float] = field(default_factory=dict)
    exhausted: Event | None = None
    harvest_g: Band | None = None
    silver_g_per_l: Band | None = None
    copper_g_per_l: Band | None = None
    copper_limit: Event | None = None
    silver_min: Event | None = None
    coverage: float = COVERAGE


def forecast_run(run: RunSoFar, rules: ForecastRules | None = None) -> Forecast:
    """The forecast of one run. Raises InvalidError for impossible inputs, never for few readings.

    Amounts are linear in the anode consumed (congruent dissolution). Time follows from the trend's
    closed form, its line drawn from the t distribution of the fit, and the mean current ahead
    varied by the cross-validated error, which grows in proportion once the forecast reaches beyond
    the horizons it was tested on. The middle is the best model's by which the anode is exhausted;
    the interval pools all plausible models, because a short history does not tell them apart. It
    assumes that power stays on and nobody intervenes.
    Source of the propagation: JCGM 101:2008 (with a fixed even point set in place of random draws).
    """
    rules = rules or ForecastRules()
    _check(run)
    blocks = block_readings(run.hours, run.current_a)
    if blocks.readings < max(rules.readings_min, ORIGIN_MIN + 1):
        wanted = max(rules.readings_min, ORIGIN_MIN + 1)
        return _too_few(f"{blocks.readings} readings under current; a forecast needs {wanted}.")
    if blocks.live_hours < rules.hours_min:
        return _too_few(
            f"The readings cover {blocks.live_hours:.1f} h under current; "
            f"a forecast needs {rules.hours_min:g} h."
        )
    trends = fit_trends(blocks)
    left_ah = _left_ah(run, np.zeros((1, DIMENSIONS)))[0]
    at_present_rate = left_ah / trends[0].recent_a
    if at_present_rate > rules.horizon_ratio_max * blocks.live_hours:
        return _too_few(
            f"The readings cover {blocks.live_hours:.1f} h and at the present current the anode "
            f"lasts {at_present_rate:.0f} h more; that is too far to foretell."
        )
    return _forecast(run, trends)


def forecast_runs(
    runs: Sequence[RunSoFar], rules: ForecastRules | None = None
) -> tuple[Forecast, ...]:
    """The forecasts of many runs, in order."""
    return tuple(forecast_run(run, rules) for run in runs)


def _forecast(run: RunSoFar, trends: tuple[Trend, ...]) -> Forecast:
    anode = run.anode
    anode_g = np.maximum(_vary(run.anode_g, _POINTS[:, START]), 0.0)
    silver_g = np.maximum(_vary(run.silver_g, _POINTS[:, SILVER]), 0.0)
    copper_g = np.maximum(_vary(run.copper_g, _POINTS[:, COPPER]), 0.0)
    volume_l = np.maximum(_vary(run.volume_l, _POINTS[:, VOLUME]), 0.05 * run.volume_l.value)
    efficiency = _efficiency(run, _POINTS)
    left_ah = _left_ah(run, _POINTS)

    # Grams per ampere-hour passed: anode consumed, copper gained, silver lost by the electrolyte.
    consumed = anode_consumed_g_per_ah(anode) * efficiency
    copper_gain = consumed * anode.copper
    silver_loss = np.maximum(SILVER_G_PER_AH * efficiency - consumed * anode.silver, 0.0)
    to_copper = _charge_until(run.copper_limit_g_per_l * volume_l - copper_g, copper_gain)
    to_silver = _charge_until(silver_g - run.silver_min_g_per_l * volume_l, silver_loss)
    charges = np.column_stack([left_ah, to_copper, to_silver])
    in_run = charges <= left_ah[:, np.newaxis]
    # What would come only after the anode is exhausted does not come in this run.
    by_trend = [
        np.where(in_run, _hours(trend, np.where(in_run, charges, 0.0)), np.inf) for trend in trends
    ]
    reaching = [index for index, hours in enumerate(by_trend) if math.isfinite(hours[0, 0])]
    named = reaching[0] if reaching else 0
    hours = np.vstack([by_trend[named][:1], *(rows[1:] for rows in by_trend)])
    exhausted = _event(run.as_of, hours[:, 0])
    silver_then = silver_g - left_ah * silver_loss
    return Forecast(
        state="forecast",
        reason=_reason(float(left_ah[0]), exhausted, float(silver_then[0])),
        model=trends[named].model,
        scores=trends[named].scores,
        exhausted=exhausted,
        harvest_g=_band(anode_g * SILVER_G_PER_AH / anode_consumed_g_per_ah(anode)),
        silver_g_per_l=_band(np.maximum(silver_then, 0.0) / volume_l),
        copper_g_per_l=_band((copper_g + left_ah * copper_gain) / volume_l),
        copper_limit=_event(run.as_of, hours[:, 1]),
        silver_min=_event(run.as_of, hours[:, 2]),
    )


def _reason(left_ah: float, exhausted: Event, silver_then_g: float) -> str:
    if left_ah == 0.0:
        return "By the charge passed the anode is exhausted already."
    if silver_then_g < 0.0:
        return "The electrolyte's silver is used up before the anode is; add silver or stop sooner."
    if exhausted.hours is None:
        return "By this trend the current dies away before the anode is exhausted."
    return ""


def _efficiency(run: RunSoFar, points: Floats) -> Floats:
    return np.clip(_vary(run.efficiency, points[:, EFFICIENCY]), EFFICIENCY_MIN, EFFICIENCY_MAX)


def _left_ah(run: RunSoFar, points: Floats) -> Floats:
    """Ampere-hours until the anode is exhausted, for every point."""
    whole_g = np.maximum(_vary(run.anode_g, points[:, START]), 0.0)
    whole_ah = whole_g / (anode_consumed_g_per_ah(run.anode) * _efficiency(run, points))
    return np.maximum(whole_ah - _vary(run.charge_ah, points[:, CHARGE]), 0.0)


def _charge_until(reserve_g: Floats, grams_per_ah: Floats) -> Floats:
    """Ampere-hours that use up a reserve: none when it is spent, infinite when nothing uses it."""
    charge = np.full_like(reserve_g, np.inf)
    np.divide(reserve_g, grams_per_ah, out=charge, where=grams_per_ah > 0.0)
    return np.where(reserve_g <= 0.0, 0.0, charge)


def _hours(trend: Trend, charge_ah: Floats) -> Floats:
    """Hours until each charge has passed, for every point (rows) and charge (columns)."""
    model = MODEL_BY_NAME[trend.model]
    # Student's t: a normal value over the root of chi-squared per degree of freedom. The middle
    # row stays the middle, because its normal values are zero.
    scale = np.sqrt(trend.degrees / chdtri(trend.degrees, _SPREAD_PROBABILITY))
    sd_now, sd_slope = math.sqrt(trend.var_now), math.sqrt(trend.var_slope)
    product = sd_now * sd_slope
    correlation = trend.covariance / product if product > 0.0 else 0.0
    across = math.sqrt(max(0.0, 1.0 - correlation**2))
    first, second = _POINTS[:, NOW] * scale, _POINTS[:, SLOPE] * scale
    now = trend.now + sd_now * first
    slope = trend.slope + sd_slope * (correlation * first + across * second)
    slope = np.where(slope * model.slope_sign > 0.0, slope, 0.0)
    # A drawn current below a fifth or above three times the recent one is the line's fault.
    edges = np.sort(model.to_line(trend.recent_a * np.array([0.2, 3.0])))
    now = np.clip(now, edges[0], edges[1])
    hours: Floats = model.hours_to(now[:, np.newaxis], slope[:, np.newaxis], charge_ah)
    beyond = np.clip(hours / max(trend.error_hours, 1e-9), 1.0, REACH_MAX)
    hours = hours * np.exp(np.clip(trend.error * beyond * _POINTS[:, DRIFT, np.newaxis], -2, 2))
    hours[hours > HOURS_MAX] = np.inf
    return hours


def _vary(item: Estimate, normal: Floats) -> Floats:
    return item.value + item.u * normal


def _tails(values: Floats) -> tuple[float, float]:
    drawn = np.sort(values[1:])
    outside = int(drawn.size * (1.0 - COVERAGE) / 2.0)
    return float(drawn[outside]), float(drawn[-1 - outside])


def _band(values: Floats) -> Band:
    low, high = _tails(values)
    return Band(value=float(values[0]), low=low, high=high)


def _event(as_of: datetime.datetime, hours: Floats) -> Event:
    low, high = _tails(hours)
    middle, early, late = (
        item if math.isfinite(item) else None for item in (float(hours[0]), low, high)
    )
    return Event(
        hours=middle,
        hours_low=early,
        hours_high=late,
        at=_moment(as_of, middle),
        at_low=_moment(as_of, early),
        at_high=_moment(as_of, late),
        probability=float(np.isfinite(hours[1:]).mean()),
    )


def _moment(as_of: datetime.datetime, hours: float | None) -> datetime.datetime | None:
    return None if hours is None else as_of + datetime.timedelta(hours=hours)


def _too_few(reason: str) -> Forecast:
    return Forecast(state="too_few_readings", reason=reason)


def _even_points() -> Floats:
    """A row of zeros, then `POINTS` evenly spread standard normal rows in mirrored pairs.

    The additive recurrence by powers of the root of x^(d+1) = x + 1 (M. Roberts, "The Unreasonable
    Effectiveness of Quasirandom Sequences", 2018, from memory), scaled to unit variance.
    """
    root = 2.0
    for _ in range(60):
        root = (1.0 + root) ** (1.0 / (DIMENSIONS + 1))
    steps = root ** -np.arange(1.0, DIMENSIONS + 1)
    counts = np.arange(1, POINTS // 2 + 1)[:, np.newaxis]
    half = ndtri((0.5 + counts * steps) % 1.0)
    points = np.vstack([half, -half])
    return np.vstack([np.zeros(DIMENSIONS), points / points.std(axis=0)])


_POINTS: Final = _even_points()
_SPREAD_PROBABILITY: Final = ndtr(_POINTS[:, SPREAD])


def _check(run: RunSoFar) -> None:
    if run.as_of.tzinfo is None:
        raise refuse("naive_time", field="as_of", value=run.as_of)
    checked(run.anode_g.value, field="anode_g", above=True)
    checked(run.volume_l.value, field="volume_l", above=True)
    checked(run.efficiency.value, field="efficiency", above=True, maximum=EFFICIENCY_MAX)
    checked(run.copper_limit_g_per_l, field="copper_limit_g_per_l", above=True)
    checked(run.silver_min_g_per_l, field="silver_min_g_per_l")
