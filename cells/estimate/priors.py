"""What is believed of a run before anything of it is known, and the figures that are estimated.

Every figure is drawn from a standard normal, so that what nobody measured stays as wide as it is
here. All widths are starting points (common practice, no source) that past runs and assays replace.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum, auto
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.special import expit, ndtr

from cells.electrochemistry.electrolysis import ELECTRONS_MOL_PER_AH, ELECTRONS_MOL_PER_G

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from cells.estimate.facts import RunFacts

    Floats = NDArray[np.float64]

DEPARTURE_COUNT: Final = 6


class Z(IntEnum):
    """Columns of the standard normals."""

    LEVEL = 0
    FALL = auto()
    BEND = auto()
    CONTACT = auto()
    ENDING = auto()
    GAIN = auto()
    DRIFT = auto()
    POURING = auto()
    LOSS = auto()
    UNEVEN = auto()
    SOONER = auto()
    EVAPORATION = auto()
    PALLADIUM_SHARE = auto()
    FINES = auto()
    CLINGING = auto()
    FEED_AG = auto()
    FEED_CU = auto()
    FEED_PD = auto()
    FEED_AU = auto()
    BATH_AG = auto()
    BATH_CU = auto()
    BATH_PD = auto()
    BATH_ACID = auto()
    BATH_VOLUME = auto()
    DEPARTURE = auto()


SIZE: Final = Z.DEPARTURE + DEPARTURE_COUNT


@dataclass(frozen=True)
class KindOfFeed:
    """A kind of feed: the middle of its silver and how widely it spreads, on the logit scale, and
    of what is not silver the shares of copper, palladium and gold, each (middle, spread)."""

    silver: tuple[float, float]
    copper: tuple[float, float] = (1.9, 0.8)
    palladium: tuple[float, float] = (-3.8, 1.4)
    gold: tuple[float, float] = (-3.8, 1.4)


# Silver 0.89 with 95 % between 0.74 and 0.96 for scrap of which nothing is said.
KINDS_OF_FEED: Final[Mapping[str, KindOfFeed]] = MappingProxyType(
    {
        "scrap": KindOfFeed(silver=(2.15, 0.6)),
        "flatware": KindOfFeed(silver=(2.4, 0.35), palladium=(-6.0, 1.2), gold=(-5.0, 1.2)),
        "fine": KindOfFeed(silver=(5.0, 1.0)),
    }
)
ANY_KIND: Final = "scrap"
# How far the word of somebody about silver is off, relative: common practice, no source.
WORD_RELATIVE_U: Final = 0.02

# Of the whole of a feed that nobody had looked at for them: share and its standard uncertainty.
SELDOM_FOUND: Final[Mapping[str, tuple[float, float]]] = MappingProxyType(
    {"Pt": (2e-5, 5e-5), "Rh": (5e-6, 1e-5)}
)
# Where the charge goes that neither dissolves nor plates, and how likely that is: a leak or short
# takes it from both electrodes, nitrate reduced from the cathode, oxygen from the anode. Common
# practice, no source.
LOSS_KINDS: Final = (("both", 0.485), ("cathode", 0.485), ("anode", 0.03))
# What is supposed of a bath of which nothing is known, g/L and mol/L, and its spread as a factor.
BATH_G_PER_L: Final[Mapping[str, float]] = MappingProxyType({"Ag": 80.0, "Cu": 15.0, "Pd": 0.05})
BATH_ACID_MOL_PER_L: Final = 0.1
BATH_SPREAD: Final[Mapping[str, float]] = MappingProxyType({"Ag": 0.5, "Cu": 0.8, "Pd": 1.2})
ACID_SPREAD: Final = 0.8
VOLUME_SPREAD: Final = 0.3
# Share of its volume that a bath loses in a day when nobody said.
EVAPORATION_A_DAY: Final = 0.004
# What an ammeter shows of a run's charge wanders from run to run by this much, relative.
DRIFT_RELATIVE_U: Final = 0.003
# Read but once a day, an ammeter misses the swing of the day: that much more.
SWING_RELATIVE_U: Final = 0.004


@dataclass(frozen=True, eq=False)
class Drawn:
    """The figures in the units people use, a row for each set of standard normals.

    `electrons_ah` is what the whole anode gives up, by metal; `metered_ah` what the ammeter shows
    for all of it. Fractions of the anode are of its mass.
    """

    first_a: Floats
    fall: Floats
    bend: Floats
    departures: Floats
    contact: Floats
    ending: Floats
    gain: Floats
    drift: Floats
    pouring: Floats
    at_anode: Floats
    at_cathode: Floats
    sooner: Floats
    evaporation_l_per_h: Floats
    palladium_share: Floats
    fines: Floats
    clinging_l_per_g: Floats
    feed: Mapping[str, Floats]
    bath_g: Mapping[str, Floats]
    acid_mol: Floats
    volume_l: Floats
    electrons_ah: Mapping[str, Floats]

    @property
    def whole_ah(self) -> Floats:
        """Ampere-hours that the whole anode gives up."""
        return sum(self.electrons_ah.values(), np.zeros_like(self.gain))

    @property
    def metered_ah(self) -> Floats:
        """The same as the ammeter shows it."""
        return self.whole_ah / (self.at_anode * self.gain * self.drift)


def softplus(value: Floats, scale: float) -> Floats:
    """The value where it is well above zero, and never below."""
    return scale * np.logaddexp(0.0, value / scale)


def draw(z: Floats, loss: NDArray[np.intp], facts: RunFacts, first_a: float) -> Drawn:
    """Standard normals (rows) as figures; `loss` numbers the kind of loss of each row."""
    lost = np.minimum(softplus(0.045 + 0.0195 * z[:, Z.LOSS], 0.008), 0.6)
    uneven = 0.003 * z[:, Z.UNEVEN]
    silver, copper, palladium, gold = _feed(z, facts)
    fines = 0.02 * ndtr(z[:, Z.FINES])
    share = expit(1.0 * z[:, Z.PALLADIUM_SHARE])
    dissolving = {"Ag": silver * (1.0 - fines), "Cu": copper, "Pd": palladium * share}
    litres = facts.bath.volume_l.value * np.exp(VOLUME_SPREAD * z[:, Z.BATH_VOLUME])
    told = facts.bath.per_l
    columns = {"Ag": Z.BATH_AG, "Cu": Z.BATH_CU, "Pd": Z.BATH_PD}
    acid = facts.bath.acid_mol_per_l
    evaporation = facts.evaporation_l_per_h
    typical_l_per_h = (
        facts.bath.volume_l.value * EVAPORATION_A_DAY / 24.0
        if evaporation is None
        else max(evaporation.value, 1e-9)
    )
    spread = 0.8 if evaporation is None else min(evaporation.u / typical_l_per_h, 1.0)
    return Drawn(
        first_a=first_a * np.exp(0.3 * z[:, Z.LEVEL]),
        fall=softplus(0.9 + 0.5 * z[:, Z.FALL], 0.15),
        bend=z[:, Z.BEND],
        departures=z[:, Z.DEPARTURE :],
        contact=0.005 + 0.115 * ndtr(z[:, Z.CONTACT]),
        ending=0.15 + 0.45 * ndtr(z[:, Z.ENDING]),
        gain=1.0 + facts.u_gain * z[:, Z.GAIN],
        drift=1.0 + _drift_u(facts) * z[:, Z.DRIFT],
        pouring=1.0 + _pouring_u(facts) * z[:, Z.POURING],
        at_anode=(1.0 - np.where(loss == 1, 0.0, lost)) * (1.0 + uneven),
        at_cathode=1.0 - np.where(loss == 2, 0.0, lost),
        sooner=1.0 + softplus(0.4 + 0.28 * z[:, Z.SOONER], 0.1),
        evaporation_l_per_h=typical_l_per_h
        * np.exp(np.clip(spread * z[:, Z.EVAPORATION], -4.0, 4.0)),
        palladium_share=share,
        fines=fines,
        clinging_l_per_g=0.00015 * np.exp(0.5 * z[:, Z.CLINGING]),
        feed={"Ag": silver, "Cu": copper, "Pd": palladium, "Au": gold},
        bath_g={
            metal: litres
            * (max(told[metal].value, 1e-6) if metal in told else BATH_G_PER_L[metal])
            * np.exp(BATH_SPREAD[metal] * z[:, column])
            for metal, column in columns.items()
        },
        acid_mol=litres
        * (BATH_ACID_MOL_PER_L if acid is None else max(acid.value, 1e-6))
        * np.exp(ACID_SPREAD * z[:, Z.BATH_ACID]),
        volume_l=litres,
        electrons_ah={
            metal: facts.anode_g * part * ELECTRONS_MOL_PER_G[metal] / ELECTRONS_MOL_PER_AH
            for metal, part in dissolving.items()
        },
    )


def _drift_u(facts: RunFacts) -> float:
    """How far the charge shown is off in this run only, relative."""
    hours = np.sort(np.asarray(facts.hours, dtype=float))
    apart_h = float(np.median(np.diff(hours))) if len(hours) > 1 else 24.0
    seldom = min(max((apart_h - 6.0) / 12.0, 0.0), 1.0)
    return float(np.hypot(DRIFT_RELATIVE_U, seldom * SWING_RELATIVE_U))


def _pouring_u(facts: RunFacts) -> float:
    """How far all that was poured is off together, relative."""
    whole = sum(abs(each.litres.value) for each in facts.poured)
    squares = sum(each.litres.u**2 for each in facts.poured)
    return float(min(np.sqrt(squares) / whole, 0.5)) if whole else 0.0


def _feed(z: Floats, facts: RunFacts) -> tuple[Floats, Floats, Floats, Floats]:
    kind = KINDS_OF_FEED.get(facts.feed.kind, KINDS_OF_FEED[ANY_KIND])
    middle, spread = kind.silver
    silver = expit(middle + spread * z[:, Z.FEED_AG])
    rest = 1.0 - silver
    # The three shares of the rest are scaled down together where they would be more than all of it.
    parts = [
        expit(middle + spread * z[:, column])
        for (middle, spread), column in (
            (kind.copper, Z.FEED_CU),
            (kind.palladium, Z.FEED_PD),
            (kind.gold, Z.FEED_AU),
        )
    ]
    scale = rest / np.maximum(1.0, sum(parts))
    copper, palladium, gold = (scale * part for part in parts)
    return silver, copper, palladium, gold
