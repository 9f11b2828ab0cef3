"""How a run went, reading by reading: masses and concentrations with their uncertainty.

The same model as `electrolyte_state`, for all readings at once: between two events every mean
is linear and every variance quadratic in the charge and the time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from cells.electrochemistry.coulometry import CoulombCount, cumulative_ah
from cells.electrochemistry.current_series import CurrentSeries, FloatArray
from cells.electrochemistry.electrolyte_state import (
    EVAPORATION,
    MOVING_SIZE,
    ROUNDING,
    SCALE,
    VOLUME,
    RunState,
    Stop,
    charge_room,
    rates_per_ah,
    require_liquid,
    step,
)

PARAMETERS: Final = slice(SCALE, EVAPORATION)


@dataclass(frozen=True, eq=False)
class RunTrace:
    """The run at each reading: hours since the first, charge, and the moving quantities.

    Columns of `mean` and `u` are SILVER, COPPER, PALLADIUM (g), ACID (mol), VOLUME (L), CONSUMED
    and PLATED (g). `per_l` and `u_per_l` are the first four over the volume. `end` is the state
    after the last reading.
    """

    hours: FloatArray
    charge_ah: FloatArray
    mean: FloatArray
    u: FloatArray
    per_l: FloatArray
    u_per_l: FloatArray
    end: RunState


def trace_run(state: RunState, series: CurrentSeries, count: CoulombCount) -> RunTrace:
    """The state at every reading of `series`, which follows the moment of `state`.

    `count` is `count_charge(series, ammeter)`, bridged or not: gaps hold charge only when bridged.
    Its random uncertainty is spread over the run in proportion to the charge. Evaporation runs by
    the clock, power cuts and gaps included. The moment of a stop is exact for a current that runs
    straight between readings. Raises InvalidError `electrolyte_dry`.
    """
    hours = series.clock_h - series.clock_h[0]
    charge_ah = cumulative_ah(series, bridge_gaps=count.bridged)
    room_ah, reason = charge_room(state)
    working_ah = np.minimum(charge_ah, room_ah)
    rates, slopes = rates_per_ah(state)
    mean = state.mean[:MOVING_SIZE] + np.outer(working_ah, rates)
    mean[:, VOLUME] -= hours * state.mean[EVAPORATION]
    require_liquid(float(mean[-1, VOLUME]))
    variance, tied_to_volume = _second_moments(state, slopes, working_ah, hours)
    whole_ah = float(charge_ah[-1])
    if whole_ah > 0.0:
        random = count.u_random_ah**2 * working_ah / whole_ah
        variance += np.outer(random, rates**2)
    litres = mean[:, [VOLUME]]
    mean = np.maximum(mean, 0.0)
    per_l = mean[:, :VOLUME] / litres
    relative = variance[:, :VOLUME] - 2.0 * per_l * tied_to_volume[:, :VOLUME]
    per_l_variance = (relative + per_l**2 * variance[:, [VOLUME]]) / litres**2
    stop = state.stop if room_ah <= ROUNDING else None
    if whole_ah > room_ah and stop is None:
        stop = Stop(reason, state.hours + _hours_at_charge(series, charge_ah, room_ah))
    end = step(
        state,
        charge_ah=whole_ah,
        hours=float(hours[-1]),
        u_charge_ah=count.u_random_ah,
    )
    return RunTrace(
        hours=state.hours + hours,
        charge_ah=state.charge_ah + charge_ah,
        mean=mean,
        u=np.sqrt(np.maximum(variance, 0.0)),
        per_l=per_l,
        u_per_l=np.sqrt(np.maximum(per_l_variance, 0.0)),
        end=replace(end, stop=stop),
    )


def _second_moments(
    state: RunState, slopes: FloatArray, working_ah: FloatArray, hours: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Variances of the moving quantities, and their covariance with the volume, at each reading."""
    covariance = state.covariance
    moving = covariance[:MOVING_SIZE, :MOVING_SIZE]
    with_parameters = np.sum(covariance[:MOVING_SIZE, PARAMETERS] * slopes, axis=1)
    by_parameters = np.sum((slopes @ covariance[PARAMETERS, PARAMETERS]) * slopes, axis=1)
    with_evaporation = covariance[:MOVING_SIZE, EVAPORATION]
    between = slopes @ covariance[PARAMETERS, EVAPORATION]
    volume_slope = slopes @ covariance[PARAMETERS, VOLUME]
    charge, time = working_ah[:, None], hours[:, None]
    variance = np.diag(moving) + 2.0 * charge * with_parameters + charge**2 * by_parameters
    tied = moving[:, VOLUME] + charge * volume_slope - time * (with_evaporation + charge * between)
    evaporated = -2.0 * hours * covariance[VOLUME, EVAPORATION]
    evaporated += hours**2 * covariance[EVAPORATION, EVAPORATION]
    variance[:, VOLUME] += evaporated
    return variance, tied


def _hours_at_charge(series: CurrentSeries, charge_ah: FloatArray, target_ah: float) -> float:
    """Clock hours since the first reading at which the cumulated charge reaches the target."""
    after = int(np.searchsorted(charge_ah, target_ah, side="left"))
    if after == 0:
        return 0.0
    left_ah = target_ah - float(charge_ah[after - 1])
    first_a, last_a = (float(current) for current in series.current_a[after - 1 : after + 1])
    powered_h = float(series.powered_h[after] - series.powered_h[after - 1])
    # first t + (last - first) t^2 / 2h = left, in the form that does not cancel.
    root = math.sqrt(max(0.0, first_a**2 + 2.0 * left_ah * (last_a - first_a) / powered_h))
    into_h = 2.0 * left_ah / (first_a + root)
    clock_h = float(series.clock_h[after] - series.clock_h[after - 1])
    before_h = float(series.clock_h[after - 1] - series.clock_h[0])
    return before_h + into_h * clock_h / powered_h
