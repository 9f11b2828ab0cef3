"""What is asked of a run: how it stands at a moment, and when what is waited for comes.

Every figure comes with its 95 % interval. It is assumed that power stays on and nobody intervenes.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from cells.estimate.answers import COVERAGE, Estimate, Range, range_of
from cells.estimate.paths import Held, held_at

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# With fewer readings than this nothing is foretold.
READINGS_MIN: Final = 3
STEPS_AHEAD: Final = 40
# Aji et al., Hydrometallurgy 196 (2020) 105403, as the task's source gives it: critical from 0.8.
COPPER_TO_SILVER_LIMIT: Final = 0.8
NEARLY_ALL: Final = 0.9


@dataclass(frozen=True)
class Limits:
    """The cell's own limits, in grams per litre."""

    copper_g_per_l: float = 60.0
    silver_min_g_per_l: float = 30.0


@dataclass(frozen=True)
class RunState:
    """What the cell holds at a moment. `slimes_g` is what the bag holds by metal, `other` included.

    `anode_efficiency` and `cathode_efficiency` are the shares of the charge that dissolve metal and
    plate silver.
    """

    hours: float
    charge_ah: Range
    crystal_g: Range
    silver_g: Range
    copper_g: Range
    palladium_g: Range
    volume_l: Range
    silver_g_per_l: Range
    copper_g_per_l: Range
    palladium_g_per_l: Range
    acid_mol_per_l: Range
    anode_left_g: Range
    dissolved_share: Range
    slimes_g: Mapping[str, Range]
    anode_efficiency: Range
    cathode_efficiency: Range


@dataclass(frozen=True)
class When:
    """When something comes; None where it does not in this run, or may not within the interval.

    `hours` are from the moment asked. `probability` is how likely it comes before current ends.
    """

    hours: float | None
    at: dt.datetime | None
    at_low: dt.datetime | None
    at_high: dt.datetime | None
    probability: float


@dataclass(frozen=True)
class Forecast:
    """What lies ahead of a run, or why that can't be said yet.

    `exhausted` is when no more current passes, `nine_tenths` when nine tenths of what can dissolve
    have. The quantities are those at the end. `at_moment` is how it stands at the moment asked for.
    `laws` says how much each law of falling current counts.
    """

    state: Literal["forecast", "too_few_readings"]
    reason: str
    exhausted: When | None = None
    nine_tenths: When | None = None
    harvest_g: Range | None = None
    silver_g_per_l: Range | None = None
    copper_g_per_l: Range | None = None
    volume_l: Range | None = None
    copper_limit: When | None = None
    copper_to_silver: When | None = None
    silver_min: When | None = None
    at_moment: RunState | None = None
    laws: Mapping[str, float] = field(default_factory=dict)
    coverage: float = COVERAGE


def state_at(found: Estimate, hours: float) -> RunState:
    """How the run stands so many hours after it was switched on."""
    return _state(found, found.at(hours), hours)


def _state(found: Estimate, held: Held, hours: float) -> RunState:
    """The state at the last of the moments that are held."""

    def of(values: Floats) -> Range:
        return range_of(values[:, -1])

    drawn = found.course.drawn
    return RunState(
        hours=hours,
        charge_ah=of(held.charge_ah),
        crystal_g=of(held.plated_g),
        silver_g=of(held.silver_g),
        copper_g=of(held.copper_g),
        palladium_g=of(held.palladium_g),
        volume_l=of(held.volume_l),
        silver_g_per_l=of(held.silver_g / held.volume_l),
        copper_g_per_l=of(held.copper_g / held.volume_l),
        palladium_g_per_l=of(held.palladium_g / held.volume_l),
        acid_mol_per_l=of(held.acid_mol / held.volume_l),
        anode_left_g=of(held.anode_left_g),
        dissolved_share=of(held.dissolved),
        slimes_g={metal: of(grams) for metal, grams in held.slimes_g.items()},
        anode_efficiency=range_of(drawn.at_anode),
        cathode_efficiency=range_of(drawn.at_cathode),
    )


def forecast(
    found: Estimate, begun: dt.datetime, limits: Limits, moment_h: float | None = None
) -> Forecast:
    """What lies ahead; `moment_h`, if given, is a moment asked about, hours after the start."""
    facts = found.facts
    readings = int((np.asarray(facts.current_a) > 0.0).sum())
    if readings < READINGS_MIN:
        return Forecast(
            state="too_few_readings",
            reason=f"{readings} readings under current; a forecast needs {READINGS_MIN}.",
        )

    def when(hours: Floats) -> When:
        come = np.isfinite(hours)
        low, middle, high = (
            float(each)
            for each in np.quantile(
                hours, [0.5 - COVERAGE / 2, 0.5, 0.5 + COVERAGE / 2], method="nearest"
            )
        )

        def at(hour: float) -> dt.datetime | None:
            return begun + dt.timedelta(hours=hour) if np.isfinite(hour) else None

        ahead = middle - facts.now_h if np.isfinite(middle) else None
        return When(ahead, at(middle), at(low), at(high), float(come.mean()))

    hours, path = ahead_of(found)
    last = _state(found, path, float(np.median(hours[:, -1])))
    silver, copper = path.silver_g / path.volume_l, path.copper_g / path.volume_l
    return Forecast(
        state="forecast",
        reason=""
        if last.silver_g_per_l.value > 0.5
        else "The electrolyte's silver is used up before the anode is; add silver or stop sooner.",
        exhausted=when(found.end_h),
        nine_tenths=when(found.dissolved_h(NEARLY_ALL)),
        harvest_g=last.crystal_g,
        silver_g_per_l=last.silver_g_per_l,
        copper_g_per_l=last.copper_g_per_l,
        volume_l=last.volume_l,
        copper_limit=when(_crossing(hours, copper - limits.copper_g_per_l)),
        copper_to_silver=when(
            _crossing(hours, path.copper_g - COPPER_TO_SILVER_LIMIT * path.silver_g)
        ),
        silver_min=when(_crossing(hours, limits.silver_min_g_per_l - silver)),
        at_moment=None if moment_h is None else state_at(found, moment_h),
        laws=found.laws,
    )


def ahead_of(found: Estimate) -> tuple[Floats, Held]:
    """From now to the end of current, in equal steps of charge: hours by the clock, and what the
    cell holds then, by draw (rows) and step (columns)."""
    facts, course = found.facts, found.course
    now = course.share_at(facts.powered(np.array([facts.last_h])))
    steps = np.linspace(0.0, 1.0, STEPS_AHEAD)
    share = now + (course.end_share[:, None] - now) * steps
    hours = np.column_stack([found.clock(course.hours_at(column)) for column in share.T])
    return hours, held_at(course, facts, hours, share)


def _crossing(hours: Floats, above: Floats) -> Floats:
    """When a quantity first rises above nothing, by draw; infinite where it does not."""
    over = above >= 0.0
    at = np.argmax(over, axis=1)
    rows = np.arange(len(at))
    before = np.maximum(at - 1, 0)
    rise = above[rows, at] - above[rows, before]
    part = np.where(at > 0, -above[rows, before] / np.where(rise > 0.0, rise, 1.0), 0.0)
    found = hours[rows, before] + part * (hours[rows, at] - hours[rows, before])
    return np.where(over.any(axis=1), found, np.inf)


def band_of(
    found: Estimate, hours: Sequence[float], quantity: Callable[[Held], Floats]
) -> list[tuple[float, float, float, float]]:
    """(hours, middle, low, high) of one quantity at several moments."""
    return [
        (hour, made.value, made.low, made.high)
        for hour in hours
        for made in [found.range_at(hour, quantity)]
    ]
