"""A value with its standard uncertainty, for what is planned and warned of."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from cells.electrochemistry.checked_numbers import checked

COVERAGE_FACTOR: Final = 1.959963984540054  # two-sided 95 % of the normal distribution


@dataclass(frozen=True)
class Estimate:
    """A value with its standard uncertainty, both in the unit of the name that carries it."""

    value: float
    u: float = 0.0

    def __post_init__(self) -> None:
        checked(self.value, field="value")
        checked(self.u, field="u")

    @property
    def interval_95(self) -> tuple[float, float]:
        """The 95 % interval of the normal distribution, cut off at zero."""
        half = COVERAGE_FACTOR * self.u
        return max(0.0, self.value - half), self.value + half
