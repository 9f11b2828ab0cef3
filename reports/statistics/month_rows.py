"""The rows a month's network is built from: one kind for each thing that can happen to a lot.

Masses are in grams, volumes in litres, grades in grams per gram or grams per litre.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from reports.statistics.uncertainty import Figure

OUTSIDE: Final = "outside"


@dataclass(frozen=True)
class Reading:
    """A measured number by its own name; `figure` holds its error sources."""

    name: str
    figure: Figure


Grades = Mapping[str, Sequence[Reading]]


@dataclass(frozen=True)
class Brought:
    """A lot as the month found it, or as it came in. `metals` are the book's, in grams.

    `readings` are of the content itself; a metal without one is unknown. What is not named is taken
    not to be there, unless an assay finds it. `from_outside` is the movement that brought it in.
    """

    lot: str
    metals: Mapping[str, float]
    amount: Reading | None
    readings: Mapping[str, Reading] = field(default_factory=dict)
    grades: Grades = field(default_factory=dict)
    from_outside: int | None = None


@dataclass(frozen=True)
class Portion:
    """What one lot gave: all of it, or `amount` (None: nobody knows how much)."""

    lot: str
    is_all: bool
    amount: Reading | None
    metals: Mapping[str, float]


@dataclass(frozen=True)
class Moved:
    """Portions of lots (and `supplies`) into one lot, or out of the works when `taker` is outside.

    `loss` is the allowance for what is lost on the way, as a share of what moved.
    """

    number: int
    givers: Sequence[Portion]
    taker: str
    amount: Reading | None = None
    supplies: Mapping[str, Reading] = field(default_factory=dict)
    grades: Grades = field(default_factory=dict)
    loss: float = 0.0


@dataclass(frozen=True)
class Output:
    """What came out of a vessel or a bath as a lot of its own, by its own measurements."""

    number: int
    vessel: str
    lot: str
    amount: Reading | None
    grades: Grades
    metals: Mapping[str, float]


@dataclass(frozen=True)
class Closed:
    """A vessel is done with: what is left over is lost, `loss` being the share allowed for."""

    number: int
    vessel: str
    loss: float


@dataclass(frozen=True)
class Weighed:
    """A lot weighed by itself, as a check or a count."""

    lot: str
    reading: Reading


@dataclass(frozen=True)
class Analysed:
    """A bath's volume and concentrations at one time."""

    lot: str
    volume: Reading | None
    volume_l: float
    grades: Grades


@dataclass(frozen=True)
class Bagged:
    """The slimes of a charge; `slimes` are what all of them should hold, in the bag or fallen."""

    number: int
    charge: str
    bag: str
    slimes: Mapping[str, Reading]
    is_torn: bool


@dataclass(frozen=True)
class Harvested:
    """The crystal of a run. `by_charge` is silver by Faraday's law, all of the charge plating.

    `side` allows for what else dissolves or plates, in grams of silver.
    """

    number: int
    charge: str
    bath: str
    crystal: str
    amount: Reading | None
    grades: Grades
    metals: Mapping[str, float]
    by_charge: Reading | None
    efficiency: Reading
    side: Reading
    loss: float


Event = Brought | Moved | Output | Closed | Weighed | Analysed | Bagged | Harvested
