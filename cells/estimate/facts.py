"""What is known of a run: figures with their standard uncertainty, on an axis of hours.

Grams, litres, moles, ampere-hours; hours are counted from the moment the current was switched on.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from cells.electrochemistry.checked_numbers import checked

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# What can be found in the cell at a moment. `anode_left_g` is what still hangs, free of slimes.
Quantity = Literal[
    "silver_g_per_l",
    "copper_g_per_l",
    "palladium_g_per_l",
    "acid_mol_per_l",
    "volume_l",
    "anode_left_g",
    "crystal_g",
    "slimes_g",
]
LearnedOf = Literal["plated", "dissolved", "fall", "contact", "ending", "sooner"]
METALS_IN_BATH: Final = ("Ag", "Cu", "Pd")


@dataclass(frozen=True)
class Figure:
    """A value with its standard uncertainty, which is above zero: nothing is known for certain."""

    value: float
    u: float

    def __post_init__(self) -> None:
        checked(self.value, field="value", minimum=-math.inf)
        checked(self.u, field="u", above=True)


@dataclass(frozen=True)
class Measured:
    """One figure found at one moment. `name` is what it is called when it is doubted."""

    hours: float
    quantity: Quantity
    found: Figure
    name: str = ""


@dataclass(frozen=True)
class Poured:
    """What went into the bath at one moment, or came out of it well mixed (litres below zero)."""

    hours: float
    litres: Figure
    grams: Mapping[str, float] = field(default_factory=dict)
    acid_mol: float = 0.0


@dataclass(frozen=True)
class Feed:
    """Mass fractions of the anode by metal: what was found or told, and the kind of feed."""

    kind: str
    told: Mapping[str, Figure] = field(default_factory=dict)


@dataclass(frozen=True)
class Bath:
    """The electrolyte as charged, in g/L and mol/L; a metal left out is not known."""

    volume_l: Figure
    per_l: Mapping[str, Figure] = field(default_factory=dict)
    acid_mol_per_l: Figure | None = None


@dataclass(frozen=True)
class Learned:
    """What past runs teach of one thing that is estimated: `plated` and `dissolved` are by metered
    charge, so that the ammeter's error cancels; the others are the law's own figures."""

    of: LearnedOf
    found: Figure


@dataclass(frozen=True)
class RunFacts:
    """All that is known of one run at `now_h`.

    `readings` are hours and amperes, zeros and power cuts left out; `off` are the times (from, to)
    without current. `ended_h` is when the anode was found to pass no more current, `stopped_h` when
    it was switched off for any reason.
    """

    anode_g: float
    feed: Feed
    bath: Bath
    now_h: float
    hours: Sequence[float] | Floats = ()
    current_a: Sequence[float] | Floats = ()
    off: Sequence[tuple[float, float]] = ()
    measured: Sequence[Measured] = ()
    poured: Sequence[Poured] = ()
    learned: Sequence[Learned] = ()
    ended_h: float | None = None
    stopped_h: float | None = None
    u_gain: float = 0.01
    u_reading_a: float = 0.0
    evaporation_l_per_h: Figure | None = None

    def __post_init__(self) -> None:
        checked(self.anode_g, field="anode_g", above=True)
        checked(self.bath.volume_l.value, field="volume_l", above=True)
        checked(self.now_h, field="now_h")

    @property
    def last_h(self) -> float:
        """Until when current has flowed: now, or the end of it."""
        ends = (self.now_h, self.ended_h, self.stopped_h)
        return min(each for each in ends if each is not None)

    def powered(self, hours: Floats) -> Floats:
        """Hours under power before each moment; none pass after the current was switched off."""
        hours = np.minimum(np.asarray(hours, dtype=float), self.last_h)
        powered = hours.copy()
        for begun, ended in self.off:
            powered -= np.clip(hours - begun, 0.0, max(ended - begun, 0.0))
        return powered
