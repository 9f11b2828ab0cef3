"""What about this cell should a refiner look at now, why, and against which limit?

Rules only. Whether a warning is open, acknowledged or cleared is kept with the cell's records.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields
from typing import Final, Literal

from cells.electrochemistry.checked_numbers import checked
from cells.electrochemistry.estimated import Estimate

Severity = Literal["notice", "warning", "urgent"]
Basis = Literal["measured history", "physics", "common practice, no source"]
MEASURED: Final = "measured history"
PHYSICS: Final = "physics"
PRACTICE: Final = "common practice, no source"
_ORDER: Final[dict[Severity, int]] = {"urgent": 0, "warning": 1, "notice": 2}
# One-sided 95 % of the normal distribution.
ONE_SIDED: Final = 1.6448536269514722


@dataclass(frozen=True)
class Thresholds:
    """The works' limits. Every default is common practice without a source: set your own.

    Shares are of the limit or value they stand beside. `crystal_g_per_cm3` is the bulk density of
    the crystal as it lies in the cell, air and solution included.
    """

    copper_limit_g_per_l: float = 60.0
    copper_near_share: float = 0.85
    silver_min_g_per_l: float = 30.0
    silver_near_share: float = 1.25
    palladium_limit_g_per_l: float = 0.5
    palladium_near_share: float = 0.6
    jump_ratio: float = 1.5
    jump_hours_max: float = 2.0
    fall_sds: float = 2.0
    fall_runs_min: int = 3
    fuse_over_current_min: float = 1.25
    fuse_over_current_max: float = 2.0
    clearance_near_share: float = 0.7
    crystal_g_per_cm3: float = 1.0
    silver_to_copper_min: float = 1.0
    current_density_a_per_dm2_max: float = 4.0
    fineness_min: float = 999.0
    gold_ppm_max: float = 5.0
    calibration_notice_days: int = 14

    def __post_init__(self) -> None:
        for item in fields(self):
            checked(getattr(self, item.name), field=f"thresholds.{item.name}", above=True)


@dataclass(frozen=True)
class Observed:
    """What is known of a cell at one moment; a rule whose figures are None stays silent.

    `current_a` is the latest reading and `current_before_a` the one `hours_between` earlier.
    `current_share` is the current over that of the run's start, and `past_shares` what earlier runs
    showed at the same ampere-hours. `silver_since_cleared_g` has plated since the crystal was last
    knocked down; `clearance_mm` is from the bare cathode to the basket. `fineness` is of the last
    harvest, in parts per thousand. `calibration_days` is days to go per instrument.
    """

    copper_g_per_l: Estimate | None = None
    silver_g_per_l: Estimate | None = None
    palladium_g_per_l: Estimate | None = None
    current_a: float | None = None
    current_before_a: float | None = None
    hours_between: float | None = None
    current_share: float | None = None
    past_shares: Sequence[float] = ()
    fuse_a: float | None = None
    lead_rating_a: float | None = None
    silver_since_cleared_g: float | None = None
    cathode_cm2: float | None = None
    clearance_mm: float | None = None
    fineness: float | None = None
    gold_ppm: float | None = None
    bag_torn: bool = False
    calibration_days: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True)
class Finding:
    """One thing to look at: `value` against `limit`, both in `unit`; `subject` names which one."""

    code: str
    severity: Severity
    message: str
    basis: Basis
    value: float
    limit: float
    unit: str
    subject: str = ""


def evaluate(observed: Observed, thresholds: Thresholds | None = None) -> list[Finding]:
    """All findings, the most urgent first, then by code and subject.

    Raises InvalidError `not_a_number`, `too_small` for impossible figures. Each finding names its
    basis; defaults are common practice, no source.
    """
    _check(observed)
    limits = thresholds or Thresholds()
    found = [finding for rule in _RULES for finding in rule(observed, limits)]
    return sorted(found, key=lambda item: (_ORDER[item.severity], item.code, item.subject))


def _copper_near(seen: Observed, limits: Thresholds) -> Iterator[Finding]:
    if seen.copper_g_per_l is None:
        return
    value, limit = seen.copper_g_per_l.value, limits.copper_limit_g_per_l
    if value >= limit:
        severity: Severity = "urgent"
        message = "Copper is at its limit: stop re-using this electrolyte, or bleed."
    elif _upper(seen.copper_g_per_l) >= limit or value >= limits.copper_near_share * limit:
        severity = "warning"
        message = "Copper is near its limit: plan a bleed before the next charge."
    else:
        return
    yield Finding("copper_near_limit", severity, message, PRACTICE, value, limit, "g/L")


def _silver_low(seen: Observed, limits: Thresholds) -> Iterator[Finding]:
    if seen.silver_g_per_l is None:
        return
    value, limit = seen.silver_g_per_l.value, limits.silver_min_g_per_l
    if value <= limit:
        severity: Severity = "urgent"
        message = "Silver is below its working minimum: add silver nitrate or stop the run."
    elif _lower(seen.silver_g_per_l) <= limit or value <= limits.silver_near_share * limit:
        severity = "warning"
        message = "Silver is close to its working minimum: prepare a make-up."
    else:
        return
    yield Finding("silver_low", severity, message, PRACTICE, value, limit, "g/L")


def _palladium_high(seen: Observed, limits: Thresholds) -> Iterator[Finding]:
    if seen.palladium_g_per_l is None:
        return
    value, limit = seen.palladium_g_per_l.value, limits.palladium_limit_g_per_l
    if value >= limits.palladium_near_share * limit:
        yield Finding(
            "palladium_building_up",
            "urgent" if value >= limit else "warning",
            "Palladium builds up in the electrolyte and will follow the silver: bleed, and recover "
            "the palladium from what is bled.",
            PRACTICE,
            value,
            limit,
            "g/L",
        )


def _current_jump(seen: Observed, limits: Thresholds) -> Iterator[Finding]:
    if seen.current_a is None or not seen.current_before_a or seen.hours_between is None:
        return
    limit = limits.jump_ratio * seen.current_before_a
    if seen.hours_between <= limits.jump_hours_max and seen.current_a >= limit:
        yield Finding(
            "current_jump",
            "urgent",
            "The current jumped: crystal may touch the basket. Switch off and isolate before "
            "looking for a short.",
            PHYSICS,
            seen.current_a,
            limit,
            "A",
        )


def _current_falls_fast(seen: Observed, limits: Thresholds) -> Iterator[Finding]:
    count = len(seen.past_shares)
    if seen.current_share is None or count < max(2, limits.fall_runs_min):
        return
    mean = math.fsum(seen.past_shares) / count
    variance = math.fsum((share - mean) ** 2 for share in seen.past_shares) / (count - 1)
    # The spread of one more run about a mean of few.
    limit = mean - limits.fall_sds * math.sqrt(variance * (1.0 + 1.0 / count))
    if seen.current_share < limit:
        yield Finding(
            "current_falls_fast",
            "warning",
            "The current falls faster than in earlier runs at the same ampere-hours: look at the "
            "bag, the contacts and the level.",
            MEASURED,
            seen.current_share,
            limit,
            "of the start",
        )


def _fuse(seen: Observed, limits: Thresholds) -> Iterator[Finding]:
    if seen.fuse_a is None:
        return
    if seen.lead_rating_a is not None and seen.fuse_a > seen.lead_rating_a:
        yield Finding(
            "fuse_oversized",
            "urgent",
            "The fuse carries more than the leads: in a short the leads burn first. A qualified "
            "electrician sizes both.",
            PHYSICS,
            seen.fuse_a,
            seen.lead_rating_a,
            "A",
            "leads",
        )
    if not seen.current_a:
        return
    least = limits.fuse_over_current_min * seen.current_a
    most = limits.fuse_over_current_max * seen.current_a
    if seen.fuse_a < least:
        message = "The fuse is small for this current and may end the run for no fault."
        yield Finding(
            "fuse_undersized", "warning", message, PRACTICE, seen.fuse_a, least, "A", "current"
        )
    elif seen.fuse_a > most:
        message = "The fuse is large for this current and may not part in a short."
        yield Finding(
            "fuse_oversized", "warning", message, PRACTICE, seen.fuse_a, most, "A", "current"
        )


def _clearance(seen: Observed, limits: Thresholds) -> Iterator[Finding]:
    plated, area, clearance = seen.silver_since_cleared_g, seen.cathode_cm2, seen.clearance_mm
    if plated is None or area is None or clearance is None:
        return
    height_mm = 10.0 * plated / (limits.crystal_g_per_cm3 * area)
    if height_mm >= limits.clearance_near_share * clearance:
        reached = height_mm >= clearance
        yield Finding(
            "clearance_used_up",
            "urgent" if reached else "warning",
            "By its mass the crystal reaches the basket: stop and clear it."
            if reached
            else "By its mass the crystal grows close to the basket, and needles stand higher: "
            "knock it down or harvest.",
            PHYSICS,
            height_mm,
            clearance,
            "mm",
        )


def _fineness_risk(seen: Observed, limits: Thresholds) -> Iterator[Finding]:
    if seen.fineness is not None and seen.fineness < limits.fineness_min:
        message = "The last harvest was below the fineness wanted: find out why before the next."
        yield Finding(
            "fineness_risk",
            "warning",
            message,
            MEASURED,
            seen.fineness,
            limits.fineness_min,
            "per mille",
            "last harvest",
        )
    if seen.silver_g_per_l and seen.copper_g_per_l and seen.copper_g_per_l.value > 0.0:
        ratio = seen.silver_g_per_l.value / seen.copper_g_per_l.value
        if ratio < limits.silver_to_copper_min:
            yield Finding(
                "fineness_risk",
                "warning",
                "There is little silver for so much copper: where silver runs short at the "
                "crystal, copper is held back less.",
                PRACTICE,
                ratio,
                limits.silver_to_copper_min,
                "g/g",
                "silver to copper",
            )
    if seen.current_a is not None and seen.cathode_cm2:
        density = seen.current_a / (seen.cathode_cm2 / 100.0)
        if density > limits.current_density_a_per_dm2_max:
            yield Finding(
                "fineness_risk",
                "notice",
                "The current is high for the cathode: crystal grows in needles that trap solution.",
                PRACTICE,
                density,
                limits.current_density_a_per_dm2_max,
                "A/dm2",
                "current density",
            )


def _bag(seen: Observed, limits: Thresholds) -> Iterator[Finding]:
    message = "Slimes reach the crystal: stop, change the bag, and test the harvest for gold."
    if seen.bag_torn:
        yield Finding("bag_torn", "urgent", message, MEASURED, 1.0, 0.0, "seen", "seen")
    if seen.gold_ppm is not None and seen.gold_ppm > limits.gold_ppm_max:
        # Gold does not dissolve in this cell, so gold in the crystal came through the bag.
        yield Finding(
            "bag_torn",
            "urgent",
            message,
            PHYSICS,
            seen.gold_ppm,
            limits.gold_ppm_max,
            "ppm",
            "gold",
        )


def _calibration(seen: Observed, limits: Thresholds) -> Iterator[Finding]:
    for instrument, days in seen.calibration_days.items():
        if days <= limits.calibration_notice_days:
            overdue = days < 0
            yield Finding(
                "calibration_due",
                "warning" if overdue else "notice",
                "The calibration is overdue: what it reads since is less sure than stated."
                if overdue
                else "The calibration is due soon.",
                PRACTICE,
                float(days),
                float(limits.calibration_notice_days),
                "days",
                instrument,
            )


_RULES: Final[tuple[Callable[[Observed, Thresholds], Iterator[Finding]], ...]] = (
    _copper_near,
    _silver_low,
    _palladium_high,
    _current_jump,
    _current_falls_fast,
    _fuse,
    _clearance,
    _fineness_risk,
    _bag,
    _calibration,
)


def _upper(item: Estimate) -> float:
    return item.value + ONE_SIDED * item.u


def _lower(item: Estimate) -> float:
    return item.value - ONE_SIDED * item.u


def _check(observed: Observed) -> None:
    above_zero = {"fuse_a", "lead_rating_a", "cathode_cm2", "clearance_mm"}
    for item in fields(observed):
        value = getattr(observed, item.name)
        if isinstance(value, int | float) and not isinstance(value, bool):
            checked(value, field=item.name, above=item.name in above_zero)
    for share in observed.past_shares:
        checked(share, field="past_shares")
