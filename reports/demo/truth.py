"""What the demo's metal truly is, and what instruments make of it.

The demo does not invent book figures: it keeps a true content for every lot in grams, moves it by
chemistry, and lets the services see only what balances, burettes and laboratories would report.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Final

import numpy as np

from lots.elements import ATOMIC_WEIGHTS, electrochemical_equivalent_g_per_ah

UG_PER_G: Final = 1_000_000
# Grams of silver that leave the solution for each gram that dissolves as a doubly charged ion.
SILVER_PER_G: Final = {
    metal: 2 * float(ATOMIC_WEIGHTS["Ag"].value) / float(ATOMIC_WEIGHTS[metal].value)
    for metal in ("Cu", "Pd")
}
SILVER_G_PER_AH: Final = float(electrochemical_equivalent_g_per_ah("Ag", 1))


@dataclass
class TrueLot:
    """A lot as it truly is: grams of each metal, and of everything in it."""

    mass_g: float
    metals_g: dict[str, float] = field(default_factory=dict)
    volume_l: float = 0.0
    emptied_ppt: dict[str, float] = field(default_factory=dict)

    def take(self, share: float) -> TrueLot:
        """Takes a share (0 to 1) out of this lot and returns it.

        An emptied lot remembers its fineness: a sample kept aside may still be assayed.
        """
        if share == 1 and self.mass_g:
            self.emptied_ppt = {metal: self.ppt(metal) for metal in self.metals_g}
        part = TrueLot(
            self.mass_g * share,
            {metal: grams * share for metal, grams in self.metals_g.items()},
            self.volume_l * share,
        )
        self.mass_g -= part.mass_g
        self.volume_l -= part.volume_l
        for metal, grams in part.metals_g.items():
            self.metals_g[metal] -= grams
        return part

    def add(self, other: TrueLot) -> None:
        """Takes everything of `other` in."""
        self.mass_g += other.mass_g
        self.volume_l += other.volume_l
        for metal, grams in other.metals_g.items():
            self.metals_g[metal] = self.metals_g.get(metal, 0.0) + grams

    def ppt(self, metal: str) -> float:
        if self.emptied_ppt:
            return self.emptied_ppt.get(metal, 0.0)
        return 1000 * self.metals_g.get(metal, 0.0) / self.mass_g

    def g_per_l(self, metal: str) -> float:
        return self.metals_g.get(metal, 0.0) / self.volume_l


def of_fineness(mass_g: float, ppt: Mapping[str, float]) -> TrueLot:
    """A lot of that mass and those parts per thousand."""
    return TrueLot(mass_g, {metal: mass_g * part / 1000 for metal, part in ppt.items()})


def burn_off(lot: TrueLot, *, dross_share: float, metal_share: float) -> None:
    """A melt: `dross_share` of what is no metal goes off, and `metal_share` of each metal."""
    metals = sum(lot.metals_g.values())
    other = lot.mass_g - metals
    for metal in lot.metals_g:
        lot.metals_g[metal] *= 1 - metal_share
    lot.mass_g = other * (1 - dross_share) + metals * (1 - metal_share)


@dataclass
class RunOutcome:
    """What truly came of a run: crystal, slimes, remnant, and the charge that passed."""

    crystal: TrueLot
    slimes: TrueLot
    remnant: TrueLot
    ampere_hours: float


def run_cell(
    charge: TrueLot,
    electrolyte: TrueLot,
    *,
    remnant_share: float,
    efficiency: float,
    slimes_silver_share: float = 0.013,
    crystal_copper_ppt: float = 0.25,
    torn: bool = False,
) -> RunOutcome:
    """Dissolves a charge in an electrolyte and plates its silver, by charge balance.

    Gold, platinum and rhodium stay in the slimes with half the palladium and a little silver. What
    dissolves as copper and palladium takes silver out of the solution. `electrolyte` is changed.
    """
    remnant = charge.take(remnant_share)
    slimes = TrueLot(0.0)
    for metal, share in (
        ("Au", 1.0),
        ("Pt", 1.0),
        ("Rh", 1.0),
        ("Pd", 0.5),
        ("Ag", slimes_silver_share),
    ):
        grams = charge.metals_g.get(metal, 0.0) * share
        if grams:
            slimes.metals_g[metal] = grams
            charge.metals_g[metal] -= grams
            slimes.mass_g += grams
    other = max(charge.mass_g - sum(charge.metals_g.values()) - slimes.mass_g, 0.0)
    slimes.mass_g += other
    plated = charge.metals_g.get("Ag", 0.0) + sum(
        charge.metals_g.get(metal, 0.0) * ratio for metal, ratio in SILVER_PER_G.items()
    )
    for metal in ("Ag", "Cu", "Pd"):
        electrolyte.metals_g[metal] = electrolyte.metals_g.get(metal, 0.0) + charge.metals_g.get(
            metal, 0.0
        )
    copper = plated * crystal_copper_ppt / 1000
    electrolyte.metals_g["Ag"] -= plated
    electrolyte.metals_g["Cu"] -= copper
    crystal = TrueLot(plated * 1.0003 + copper, {"Ag": plated, "Cu": copper})
    if torn:
        crystal.add(slimes.take(0.35))
    return RunOutcome(crystal, slimes, remnant, plated / SILVER_G_PER_AH / efficiency)


@dataclass(frozen=True)
class Instruments:
    """Balances, volumes and laboratories with their noise, drawn from one seeded generator."""

    noise: np.random.Generator

    def weigh_ug(self, true_g: float, *, u_ug: int, readability_ug: int) -> int:
        """What the balance shows, in whole steps of its readability."""
        shown = true_g * UG_PER_G + self.noise.normal(0.0, u_ug)
        return max(round(shown / readability_ug), 1) * readability_ug

    def figure(self, true: float, u: float, decimals: int = 2) -> Decimal:
        """A laboratory's or an instrument's figure, rounded as it would be written down."""
        return round(Decimal(max(true + self.noise.normal(0.0, u), 0.0)), decimals)

    def currents_a(self, ampere_hours: float, hours: list[float], fall: float) -> list[Decimal]:
        """Readings of a current that falls exponentially to `fall` of its start over the run."""
        span = hours[-1]
        rate = -np.log(fall) / span
        start = ampere_hours * rate / (1 - np.exp(-rate * span))
        return [
            round(Decimal(start * np.exp(-rate * at) * (1 + self.noise.normal(0, 0.004))), 3)
            for at in hours
        ]
