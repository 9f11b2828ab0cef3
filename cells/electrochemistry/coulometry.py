"""How much charge has passed, how sure that is, and how much silver it has plated.

Ampere-hours by the trapezoid rule over irregular readings, in powered time; long gaps are set apart
instead of being bridged silently.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

import numpy as np

from cells.electrochemistry.checked_numbers import checked
from cells.electrochemistry.current_series import CurrentSeries, FloatArray
from cells.electrochemistry.electrolysis import SILVER_G_PER_AH

ROOT_3: Final = math.sqrt(3.0)
ROOT_12: Final = math.sqrt(12.0)


@dataclass(frozen=True)
class Ammeter:
    """Standard uncertainties of the ammeter.

    `u_gain` is relative and common to all readings, `u_zero_a` is an offset common to all, and
    `u_reading_a` (resolution and flicker) differs from reading to reading.
    """

    u_gain: float = 0.01
    u_reading_a: float = 0.0
    u_zero_a: float = 0.0

    def __post_init__(self) -> None:
        for name in ("u_gain", "u_reading_a", "u_zero_a"):
            checked(getattr(self, name), field=f"ammeter.{name}")

    def relative_u(self, mean_current_a: float) -> float:
        """Gain and zero together, relative to a run's mean current in amperes.

        This is the part that a run's readings share, for `RunAssumptions.u_gain`. Raises
        InvalidError `too_small` without a current.
        """
        mean_a = checked(mean_current_a, field="mean_current_a", above=True)
        return math.hypot(self.u_gain, self.u_zero_a / mean_a)


@dataclass(frozen=True)
class Gap:
    """An interval too long to be bridged unasked: what it may hold, in ampere-hours.

    `bridge_ah` is the straight line between the readings at both ends. `u_bridge_ah` is the root
    mean square distance from it of a charge that lies anywhere, equally likely, between none (the
    power may have been off) and the larger end current throughout.
    """

    start: datetime
    end: datetime
    powered_h: float
    bridge_ah: float
    u_bridge_ah: float


@dataclass(frozen=True)
class CoulombCount:
    """The charge counted outside gaps, its standard uncertainty by source, and the gaps.

    `powered_h` leaves out power cuts and gaps. The random parts are `u_reading_ah` and
    `u_sampling_ah`; `u_gain_ah` and `u_zero_ah` are common to every run read with the ammeter.
    """

    start: datetime
    end: datetime
    ampere_hours: float
    powered_h: float
    ammeter: Ammeter
    u_reading_ah: float
    u_sampling_ah: float
    gaps: tuple[Gap, ...]
    bridged: bool = False

    @property
    def u_gain_ah(self) -> float:
        """What the ammeter's gain may have got wrong."""
        return self.ammeter.u_gain * self.ampere_hours

    @property
    def u_zero_ah(self) -> float:
        """What the ammeter's zero may have got wrong."""
        return self.ammeter.u_zero_a * self.powered_h

    @property
    def u_random_ah(self) -> float:
        """Standard uncertainty from reading noise, sampling and bridged gaps."""
        return math.hypot(self.u_reading_ah, self.u_sampling_ah)

    @property
    def u_ampere_hours(self) -> float:
        """Combined standard uncertainty of `ampere_hours`."""
        return math.hypot(self.u_gain_ah, self.u_zero_ah, self.u_random_ah)

    def with_gaps_bridged(self) -> CoulombCount:
        """The count with every gap's straight-line charge and its uncertainty taken in."""
        if self.bridged or not self.gaps:
            return self
        u_bridges_ah = math.hypot(*(gap.u_bridge_ah for gap in self.gaps))
        return replace(
            self,
            ampere_hours=self.ampere_hours + sum(gap.bridge_ah for gap in self.gaps),
            powered_h=self.powered_h + sum(gap.powered_h for gap in self.gaps),
            u_sampling_ah=math.hypot(self.u_sampling_ah, u_bridges_ah),
            bridged=True,
        )


@dataclass(frozen=True)
class PlatedSilver:
    """Silver on the cathode in grams, with its standard uncertainty."""

    mass_g: float
    u_mass_g: float


def cumulative_ah(series: CurrentSeries, *, bridge_gaps: bool = False) -> FloatArray:
    """Ampere-hours passed at each reading since the first; gaps hold nothing unless bridged."""
    steps_ah = _trapezoids_ah(series)
    if not bridge_gaps:
        steps_ah = np.where(series.gap, 0.0, steps_ah)
    return np.concatenate(([0.0], np.cumsum(steps_ah)))


def count_charge(series: CurrentSeries, ammeter: Ammeter) -> CoulombCount:
    """Ampere-hours by the trapezoid rule, with uncertainty and the gaps set apart.

    Uncertainty: the gain acts on the whole charge and the zero on the whole powered time; reading
    noise is weighted by the trapezoid rule and adds in squares. Sampling: see `sampling_bound_ah`.
    Source: JCGM 100 (GUM) 5.1 and 4.3.7; the sampling bound is a choice of method.
    """
    steps_ah = _trapezoids_ah(series)
    counted = ~series.gap
    widths_h = np.where(counted, np.diff(series.powered_h), 0.0)
    weights_h = np.concatenate(([0.0], widths_h)) + np.concatenate((widths_h, [0.0]))
    noise_ah = ammeter.u_reading_a * float(np.linalg.norm(weights_h)) / 2.0
    return CoulombCount(
        start=series.moment(0),
        end=series.moment(-1),
        ampere_hours=float(np.sum(steps_ah[counted])),
        powered_h=float(np.sum(widths_h)),
        ammeter=ammeter,
        u_reading_ah=noise_ah,
        u_sampling_ah=sampling_bound_ah(series) / ROOT_3,
        gaps=tuple(_gap(series, int(index)) for index in np.flatnonzero(series.gap)),
    )


def sampling_bound_ah(series: CurrentSeries) -> float:
    """Half-width, in ampere-hours, of what the straight lines between readings may have missed.

    Each reading but the ends of an unbroken stretch is left out in turn: the difference between
    the trapezoids with and without it shows the bend that sampling might hide (for a smooth curve
    three times the real error). Bends all one way add up, a ragged current's add in squares; the
    larger is taken. An interval alone between gaps is bounded by half its change of current. The
    half-width is read as a rectangular distribution (GUM 4.3.7).
    """
    widths_h = np.diff(series.powered_h)
    rises_a = np.diff(series.current_a)
    counted = ~series.gap
    paired = counted[:-1] & counted[1:]
    left_h, right_h = widths_h[:-1], widths_h[1:]
    bends_ah = (rises_a[:-1] * right_h - rises_a[1:] * left_h)[paired] / 2.0
    in_pair = np.zeros_like(counted)
    in_pair[:-1] |= paired
    in_pair[1:] |= paired
    lone = counted & ~in_pair
    lone_ah = float(np.sum(np.abs(rises_a[lone]) * widths_h[lone])) / 2.0
    # Neighbouring pairs overlap, so each interval is seen twice.
    smooth_ah = abs(float(np.sum(bends_ah))) / 2.0
    ragged_ah = float(np.linalg.norm(bends_ah)) / math.sqrt(2.0)
    return max(smooth_ah, ragged_ah) + lone_ah


def silver_plated(
    charge_ah: float, u_charge_ah: float, efficiency: float, u_efficiency: float
) -> PlatedSilver:
    """Silver plated by a charge: efficiency x charge x M / (z F), z = 1.

    Raises InvalidError `too_small`, `too_large` or `not_a_number`. Source: Faraday's law.
    """
    charge = checked(charge_ah, field="charge_ah")
    working = checked(efficiency, field="efficiency", maximum=1.1)
    u_charge = checked(u_charge_ah, field="u_charge_ah")
    u_working = checked(u_efficiency, field="u_efficiency")
    return PlatedSilver(
        mass_g=SILVER_G_PER_AH * working * charge,
        u_mass_g=SILVER_G_PER_AH * math.hypot(working * u_charge, charge * u_working),
    )


def _trapezoids_ah(series: CurrentSeries) -> FloatArray:
    means_a = (series.current_a[1:] + series.current_a[:-1]) / 2.0
    return np.asarray(means_a * np.diff(series.powered_h), dtype=np.float64)


def _gap(series: CurrentSeries, index: int) -> Gap:
    hours = float(series.powered_h[index + 1] - series.powered_h[index])
    ends_a = series.current_a[index : index + 2]
    bridge_ah = hours * float(ends_a.mean())
    most_ah = hours * float(ends_a.max())
    return Gap(
        start=series.moment(index),
        end=series.moment(index + 1),
        powered_h=hours,
        bridge_ah=bridge_ah,
        u_bridge_ah=math.hypot(most_ah / ROOT_12, most_ah / 2.0 - bridge_ah),
    )
