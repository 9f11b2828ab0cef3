"""How does a run's current fall, and how well does that trend foretell what has not yet passed?

Every model is a straight line in a transformed scale, so that fits and forward sums are closed
formulas; rolling-origin cross-validation chooses among them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from config.refusals import refuse

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

BLOCKS_MAX: Final = 40
ORIGIN_MIN: Final = 4
PLAUSIBLE: Final = 1.4
TINY: Final = 1e-12


@dataclass(frozen=True)
class Model:
    """A falling current as a line: `to_line(current)` against hours or ampere-hours.

    `ahead_ah(now, slope, hours)` is the charge that passes and `hours_to(now, slope, charge)` the
    time it takes, both from a moment at which the line stands at `now`. `slope_sign` is the sign a
    falling current gives the slope; 0 means the model has none.
    """

    name: str
    axis: Literal["hours", "charge"]
    slope_sign: int
    to_line: Callable[[Floats], Floats]
    ahead_ah: Callable[[Floats, Floats, Floats], Floats]
    hours_to: Callable[[Floats, Floats, Floats], Floats]


@dataclass(frozen=True)
class Trend:
    """The line fitted at the last reading: value and slope with covariance, and how it was chosen.

    `scores` is each model's root mean square error in rolling-origin forecasts, relative to the
    mean current (0.03 is 3 %); `error` is the chosen one's and `error_hours` the root mean square
    horizon at which it was found. `recent_a` is the mean current of the last blocks.
    """

    model: str
    now: float
    slope: float
    var_now: float
    var_slope: float
    covariance: float
    degrees: int
    error: float
    error_hours: float
    scores: Mapping[str, float]
    recent_a: float


def _level_ahead(now: Floats, slope: Floats, hours: Floats) -> Floats:
    return now * hours + 0.0 * slope


def _level_hours(now: Floats, slope: Floats, charge: Floats) -> Floats:
    return charge / now + 0.0 * slope


def _linear_ahead(now: Floats, slope: Floats, hours: Floats) -> Floats:
    # The current stops at zero and does not turn back.
    running = np.minimum(hours, now / np.maximum(-slope, TINY))
    charge: Floats = now * running + 0.5 * slope * running**2
    return charge


def _linear_hours(now: Floats, slope: Floats, charge: Floats) -> Floats:
    inside = now**2 + 2.0 * slope * charge
    reached: Floats = 2.0 * charge / (now + np.sqrt(np.maximum(inside, 0.0)))
    reached[inside < 0.0] = np.inf
    return reached


def _exponential_ahead(now: Floats, slope: Floats, hours: Floats) -> Floats:
    rate = np.maximum(-slope, TINY)
    return np.log1p(rate * np.exp(now) * hours) / rate


def _exponential_hours(now: Floats, slope: Floats, charge: Floats) -> Floats:
    rate = np.maximum(-slope, TINY)
    # Beyond e^700 a double overflows, and the answer is never.
    exponent = rate * charge
    hours: Floats = np.expm1(np.minimum(exponent, 700.0)) / (rate * np.exp(now))
    hours[exponent > 700.0] = np.inf
    return hours


def _resistance_ahead(now: Floats, slope: Floats, hours: Floats) -> Floats:
    return 2.0 * hours / (now + np.sqrt(now**2 + 2.0 * slope * hours))


def _resistance_hours(now: Floats, slope: Floats, charge: Floats) -> Floats:
    return now * charge + 0.5 * slope * charge**2


# constant: I = a. linear_time: I = a - b t. exponential_charge: I = a exp(-k q).
# slimes_resistance: 1/I = A + B q, the current at constant voltage through a layer that thickens
# with the charge passed (Ohm's law; that slimes act as such a layer is a modelling choice).
MODELS: Final[tuple[Model, ...]] = (
    Model("constant", "hours", 0, lambda a: a, _level_ahead, _level_hours),
    Model("linear_time", "hours", -1, lambda a: a, _linear_ahead, _linear_hours),
    Model("exponential_charge", "charge", -1, np.log, _exponential_ahead, _exponential_hours),
    Model(
        "slimes_resistance", "charge", 1, lambda a: 1.0 / a, _resistance_ahead, _resistance_hours
    ),
)
MODEL_BY_NAME: Final = {model.name: model for model in MODELS}


@dataclass(frozen=True)
class Blocks:
    """Readings averaged into at most `BLOCKS_MAX` blocks: live hours, ampere-hours, amperes."""

    hours: Floats
    charge_ah: Floats
    current_a: Floats
    readings: int
    live_hours: float


def block_readings(hours: Sequence[float] | Floats, current_a: Sequence[float] | Floats) -> Blocks:
    """The readings on an axis of live hours, averaged into blocks.

    An interval that starts or ends on a current of zero is a power cut: neither its time nor its
    charge belongs to the trend. Raises InvalidError `not_a_number`, `not_increasing`, `too_small`,
    `lengths_differ`.
    """
    times = np.asarray(hours, dtype=float)
    currents = np.asarray(current_a, dtype=float)
    _check_readings(times, currents)
    live = currents > 0.0
    joined = live[1:] & live[:-1]
    steps = np.where(joined, np.diff(times), 0.0)
    areas = np.where(joined, 0.5 * (currents[1:] + currents[:-1]) * np.diff(times), 0.0)
    live_hours = np.concatenate(([0.0], np.cumsum(steps)))[live] if times.size else times
    charge = np.concatenate(([0.0], np.cumsum(areas)))[live] if times.size else times
    currents = currents[live]
    count = currents.size
    span = float(live_hours[-1]) if count else 0.0
    if count > BLOCKS_MAX:
        starts = (np.arange(BLOCKS_MAX) * count) // BLOCKS_MAX
        sizes = np.diff(np.append(starts, count))
        centre_hours = np.add.reduceat(live_hours, starts) / sizes
        charge = np.interp(centre_hours, live_hours, charge)
        currents = np.add.reduceat(currents, starts) / sizes
        live_hours = centre_hours
    return Blocks(live_hours, charge, currents, int(count), span)


def fit_trends(blocks: Blocks) -> tuple[Trend, ...]:
    """The plausible models fitted to all blocks, the one that forecast their own past best first.

    From each origin (the first `ORIGIN_MIN` blocks, then one more at a time) the charge up to every
    later block is forecast and compared with the charge that passed; a model's score is the root
    mean square of these errors as mean current, relative to the mean of all blocks. Models within
    `PLAUSIBLE` times the least score are plausible too: a short history does not tell them apart.
    On equal scores the simpler model stands first. Needs more than `ORIGIN_MIN` blocks, or it
    raises ValueError.

    Source of rolling-origin evaluation: L. J. Tashman, Int. J. Forecasting 16 (2000) 437-450 (from
    memory).
    """
    if blocks.hours.size <= ORIGIN_MIN:
        raise ValueError("too few blocks to forecast from any origin")
    scored = {model.name: _score(model, blocks) for model in MODELS}
    scores = {name: error for name, (error, _) in scored.items()}
    ranked = sorted(MODELS, key=lambda model: scores[model.name])
    limit = PLAUSIBLE * scores[ranked[0].name] + TINY
    return tuple(
        _fit(model, blocks, scores, scored[model.name][1])
        for model in ranked
        if scores[model.name] <= limit
    )


def _fit(model: Model, blocks: Blocks, scores: Mapping[str, float], error_hours: float) -> Trend:
    """The line through all blocks. One by which the current would rise is set level."""
    axis = blocks.hours if model.axis == "hours" else blocks.charge_ah
    line = model.to_line(blocks.current_a)
    offset = axis - axis[-1]
    centre = float(offset.mean())
    spread = float(((offset - centre) ** 2).sum())
    has_slope = model.slope_sign != 0 and spread > 0.0
    slope = float(((offset - centre) * line).sum()) / spread if has_slope else 0.0
    now = float(line.mean()) - slope * centre
    degrees = line.size - (2 if has_slope else 1)
    variance = float(((line - now - slope * offset) ** 2).sum()) / degrees
    var_slope = variance / spread if has_slope else 0.0
    if slope * model.slope_sign < 0.0:
        slope, now = 0.0, float(line.mean())
    return Trend(
        model=model.name,
        now=now,
        slope=slope,
        var_now=variance / line.size + var_slope * centre**2,
        var_slope=var_slope,
        covariance=-var_slope * centre,
        degrees=degrees,
        error=scores[model.name],
        error_hours=error_hours,
        scores=scores,
        recent_a=float(blocks.current_a[-3:].mean()),
    )


def _score(model: Model, blocks: Blocks) -> tuple[float, float]:
    axis = blocks.hours if model.axis == "hours" else blocks.charge_ah
    line = model.to_line(blocks.current_a)
    count = line.size
    # Running sums give the line through the first j blocks for every j at once.
    number = np.arange(1, count + 1, dtype=float)
    mean_x = np.cumsum(axis) / number
    mean_y = np.cumsum(line) / number
    var_x = np.cumsum(axis * axis) / number - mean_x**2
    cov_xy = np.cumsum(axis * line) / number - mean_x * mean_y
    slopes = np.where(var_x > TINY, cov_xy / np.maximum(var_x, TINY), 0.0)
    slopes = np.where(slopes * model.slope_sign > 0.0, slopes, 0.0)
    now = mean_y + slopes * (axis - mean_x)
    if model.axis == "hours" or model.name == "slimes_resistance":
        # A line that has left the range seen so far forecasts from that range's edge, so that no
        # current or resistance below zero arises.
        now = np.clip(now, np.minimum.accumulate(line), np.maximum.accumulate(line))
    origins = slice(ORIGIN_MIN - 1, count - 1)
    ahead = blocks.hours[np.newaxis, :] - blocks.hours[origins, np.newaxis]
    later = ahead > 0.0
    hours = np.where(later, ahead, 1.0)
    passed = blocks.charge_ah[np.newaxis, :] - blocks.charge_ah[origins, np.newaxis]
    predicted = model.ahead_ah(now[origins, np.newaxis], slopes[origins, np.newaxis], hours)
    errors = np.where(later, (predicted - passed) / hours, 0.0)
    pairs = later.sum(axis=1)
    used = pairs > 0
    if not used.any():
        return math.inf, 0.0
    squares = (errors**2).sum(axis=1)[used] / pairs[used]
    horizons = (np.where(later, ahead, 0.0) ** 2).sum(axis=1)[used] / pairs[used]
    mean_current = float(blocks.current_a.mean())
    return math.sqrt(float(squares.mean())) / mean_current, math.sqrt(float(horizons.mean()))


def _check_readings(hours: Floats, current_a: Floats) -> None:
    if hours.size != current_a.size:
        raise refuse(
            "lengths_differ",
            field="current_a",
            value=f"{hours.size} times, {current_a.size} currents",
        )
    if not (np.isfinite(hours).all() and np.isfinite(current_a).all()):
        raise refuse(
            "not_a_number:current_trend",
            field="hours" if not np.isfinite(hours).all() else "current_a",
        )
    if (np.diff(hours) <= 0.0).any():
        raise refuse("not_increasing", field="hours")
    if (current_a < 0.0).any():
        raise refuse("too_small:current_trend", field="current_a", value=float(current_a.min()))
