"""What current flowed when: readings and power cuts checked and turned into arrays.

Power cuts are taken out of the time axis; intervals too long to be bridged unasked are marked.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from cells.electrochemistry.checked_numbers import checked
from config.refusals import refuse

SECONDS_PER_HOUR: Final = 3600.0
# A bench where the cell is read morning, noon and evening; the works may set its own.
MAX_GAP_H: Final = 16.0
FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Reading:
    """The cell's current at one moment, in amperes; `at` carries its time zone."""

    at: datetime
    current_a: float


@dataclass(frozen=True)
class PowerCut:
    """A time without current, stated by a person or a recorder."""

    start: datetime
    end: datetime


@dataclass(frozen=True)
class PowerOn:
    """A time that somebody vouches for: current flowed throughout, though nobody read it."""

    start: datetime
    end: datetime


@dataclass(frozen=True, eq=False)
class CurrentSeries:
    """Readings as arrays: clock and powered hours since the first reading, current, and gaps.

    `gap` marks the intervals (one fewer than readings) whose powered time, less what is vouched
    for, exceeds the set limit.
    """

    start: datetime
    clock_h: FloatArray
    powered_h: FloatArray
    current_a: FloatArray
    gap: NDArray[np.bool_]

    def moment(self, index: int) -> datetime:
        """The clock time of the reading at `index`."""
        return self.start + timedelta(hours=float(self.clock_h[index]))


def read_series(
    readings: Sequence[Reading],
    *,
    power_cuts: Sequence[PowerCut] = (),
    power_on: Sequence[PowerOn] = (),
    max_gap_h: float = MAX_GAP_H,
) -> CurrentSeries:
    """Readings as checked arrays, with power cuts taken out of the powered time.

    Between readings the current is taken to run straight in powered time, so a cut holds no charge
    and does not bend the line across it. Readings of zero inside a cut are dropped. An interval is
    no gap where all but a bridgeable part of it is vouched for by `power_on`. Raises
    InvalidError: `too_few_readings` (under two), `naive_time`, `readings_not_in_order`,
    `not_a_number`, `too_small` (a current below zero), `power_cut_reversed`,
    `power_cuts_overlap` or `reading_in_power_cut` (a current inside a cut).
    """
    limit_h = checked(max_gap_h, field="max_gap_h", above=True)
    if len(readings) < 2:
        raise refuse("too_few_readings", field="readings", value=len(readings))
    _require_time_zones(readings, power_cuts, power_on)
    start = readings[0].at
    clock_h = _hours_since(start, [reading.at for reading in readings])
    current_a = np.array([reading.current_a for reading in readings], dtype=np.float64)
    _check_readings(clock_h, current_a)
    cuts_h = _cut_hours(start, power_cuts)
    inside = _inside_cuts(clock_h, current_a, cuts_h)
    clock_h, current_a = clock_h[~inside], current_a[~inside]
    if len(clock_h) < 2:
        raise refuse("too_few_readings:current_series", field="readings", value=len(clock_h))
    powered_h = clock_h - _hours_within_before(clock_h, cuts_h)
    vouched_h = _hours_within_before(clock_h, _joined(_hours_of(start, power_on)))
    return CurrentSeries(
        start=start,
        clock_h=clock_h,
        powered_h=powered_h,
        current_a=current_a,
        gap=np.diff(powered_h - vouched_h) > limit_h,
    )


def _hours_since(start: datetime, moments: Sequence[datetime]) -> FloatArray:
    seconds = [(moment - start).total_seconds() for moment in moments]
    return np.array(seconds, dtype=np.float64) / SECONDS_PER_HOUR


def _require_time_zones(
    readings: Sequence[Reading], power_cuts: Sequence[PowerCut], power_on: Sequence[PowerOn]
) -> None:
    for field, moments in (
        ("readings", (reading.at for reading in readings)),
        ("power_cuts", (at for cut in power_cuts for at in (cut.start, cut.end))),
        ("power_on", (at for each in power_on for at in (each.start, each.end))),
    ):
        for at in moments:
            if at.tzinfo is None:
                raise refuse("naive_time", field=field, value=at)


def _check_readings(clock_h: FloatArray, current_a: FloatArray) -> None:
    late = np.flatnonzero(np.diff(clock_h) <= 0.0)
    if late.size:
        raise refuse("readings_not_in_order", field="readings", value=f"reading {int(late[0]) + 2}")
    wrong = np.flatnonzero(~np.isfinite(current_a) | (current_a < 0.0))
    if wrong.size:
        checked(float(current_a[wrong[0]]), field="readings.current_a")


def _cut_hours(start: datetime, power_cuts: Sequence[PowerCut]) -> FloatArray:
    cuts = sorted(power_cuts, key=lambda cut: cut.start)
    for cut in cuts:
        if cut.end <= cut.start:
            raise refuse("power_cut_reversed", field="power_cuts", value=cut.end)
    for before, after in pairwise(cuts):
        if after.start < before.end:
            raise refuse("power_cuts_overlap", field="power_cuts", value=after.start)
    return _hours_of(start, cuts)


def _hours_of(start: datetime, spans: Sequence[PowerCut | PowerOn]) -> FloatArray:
    """Beginnings and ends in hours since `start`, by their beginnings."""
    ordered = sorted(spans, key=lambda span: span.start)
    edges = [at for span in ordered for at in (span.start, span.end)]
    return _hours_since(start, edges).reshape(-1, 2)


def _joined(spans_h: FloatArray) -> FloatArray:
    """The same time in spans that nowhere overlap."""
    joined: list[list[float]] = []
    for begin_h, end_h in spans_h:
        if joined and begin_h <= joined[-1][1]:
            joined[-1][1] = max(joined[-1][1], end_h)
        else:
            joined.append([begin_h, end_h])
    return np.array(joined, dtype=np.float64).reshape(-1, 2)


def _inside_cuts(
    clock_h: FloatArray, current_a: FloatArray, cuts_h: FloatArray
) -> NDArray[np.bool_]:
    """Which readings only repeat that the power is off."""
    first = np.searchsorted(cuts_h[:, 1], clock_h, side="left")
    starts_h = np.append(cuts_h[:, 0], np.inf)[first]
    ends_h = np.append(cuts_h[:, 1], np.inf)[first]
    strictly = (starts_h < clock_h) & (clock_h < ends_h)
    live = np.flatnonzero(strictly & (current_a > 0.0))
    if live.size:
        raise refuse("reading_in_power_cut", field="readings", value=f"{current_a[live[0]]:g} A")
    touches = (starts_h <= clock_h) & (clock_h <= ends_h)
    return np.asarray(touches & (current_a == 0.0))


def _hours_within_before(clock_h: FloatArray, spans_h: FloatArray) -> FloatArray:
    """At each moment, the hours since the first reading that lie within the spans."""
    if not len(spans_h):
        return np.zeros_like(clock_h)
    # A span that began before the first reading counts only from there on.
    spans_h = np.clip(spans_h, 0.0, None)
    done_h = np.concatenate(([0.0], np.cumsum(spans_h[:, 1] - spans_h[:, 0])))
    begun = np.searchsorted(spans_h[:, 0], clock_h, side="right")
    last_start = np.append(spans_h[:, 0], np.inf)[np.maximum(begun - 1, 0)]
    last_end = np.append(spans_h[:, 1], np.inf)[np.maximum(begun - 1, 0)]
    running_h = np.clip(np.minimum(clock_h, last_end) - last_start, 0.0, None)
    whole_h = done_h[np.maximum(begun - 1, 0)]
    return np.asarray(np.where(begun > 0, whole_h + running_h, 0.0))
