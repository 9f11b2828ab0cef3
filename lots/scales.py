"""What a scale's last digit says of it, where no certificate says more."""

from __future__ import annotations

from math import sqrt
from typing import Final

UNCERTAINTY_RULE: Final = (
    "last digit / √12: the rounding of the display alone, so the least it can be (JCGM 100:2008, "
    "F.2.2.1)"
)
DIVISIONS: Final = 30_000
CAPACITY_RULE: Final = "30 000 times the last digit: common practice, no source"


def rounding_ug(readability_ug: int) -> int:
    """Standard uncertainty of one reading by the rounding of its display alone, micrograms.

    JCGM 100:2008, F.2.2.1: u = δx/√12, about 0.29 δx, as quoted by the documentation of the R
    package clanTools (resolution.uncertainty.abs). At least one microgram: unknown is never zero.
    """
    return max(1, round(readability_ug / sqrt(12)))


def usual_capacity_ug(readability_ug: int) -> int:
    """What a scale of this last digit usually takes, micrograms; common practice, no source."""
    return readability_ug * DIVISIONS
