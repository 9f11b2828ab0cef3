"""How a given charge is shared between what the anode gives and what the cathode takes.

Charge balance: whatever dissolves at the anode equals in charge the silver that plates, so every
gram of copper that dissolves takes 3.395 g of silver out of the electrolyte.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from cells.electrochemistry.checked_numbers import checked
from config.refusals import refuse
from lots.elements import (
    ATOMIC_WEIGHTS,
    FARADAY_C_PER_MOL,
    METALS,
    VALENCE_IN_SILVER_CELL,
    electrochemical_equivalent_g_per_ah,
)

SILVER_G_PER_AH: Final = float(electrochemical_equivalent_g_per_ah("Ag", 1))
ELECTRONS_MOL_PER_AH: Final = 3600.0 / float(FARADAY_C_PER_MOL)
SILVER_G_PER_MOL: Final = float(ATOMIC_WEIGHTS["Ag"].value)
# Electrons a gram of each metal gives up when it dissolves, in mol/g.
ELECTRONS_MOL_PER_G: Final[dict[str, float]] = {
    metal: valence / float(ATOMIC_WEIGHTS[metal].value)
    for metal, valence in VALENCE_IN_SILVER_CELL.items()
}
# Silver that leaves the electrolyte for each gram of another metal that enters it, in g/g.
SILVER_G_PER_G_DISSOLVED: Final[dict[str, float]] = {
    metal: electrons * SILVER_G_PER_MOL for metal, electrons in ELECTRONS_MOL_PER_G.items()
}
# Half the palladium of an anode dissolves and half stays in the slimes, in want of a recovery that
# says better: common practice, no source. The slimes estimate assumes the same.
PALLADIUM_DISSOLVING: Final = 0.5
SUM_TOLERANCE: Final = 1e-9


@dataclass(frozen=True)
class AnodeComposition:
    """Mass fractions (0 to 1) of each followed metal in the anode; what is missing to 1 is inert.

    `palladium_dissolving` is the part of the palladium that goes into solution, the rest staying
    in the slimes with gold, platinum and rhodium. `other_electrons_mol_per_g` is the charge that
    metals not followed here (zinc or nickel, say) give up per gram of anode: mass fraction times
    ion charge over molar mass, summed. Raises InvalidError `too_small`, `too_large`,
    `fractions_above_one` or `nothing_dissolves`.
    """

    silver: float
    copper: float = 0.0
    palladium: float = 0.0
    gold: float = 0.0
    platinum: float = 0.0
    rhodium: float = 0.0
    palladium_dissolving: float = PALLADIUM_DISSOLVING
    other_electrons_mol_per_g: float = 0.0

    def __post_init__(self) -> None:
        for name in ("silver", "copper", "palladium", "gold", "platinum", "rhodium"):
            checked(getattr(self, name), field=f"anode.{name}", maximum=1.0)
        checked(self.palladium_dissolving, field="anode.palladium_dissolving", maximum=1.0)
        checked(self.other_electrons_mol_per_g, field="anode.other_electrons_mol_per_g")
        total = self.dissolving + self.slimes_metal
        if total > 1.0 + SUM_TOLERANCE:
            raise refuse("fractions_above_one", field="anode", value=f"{total:.6f}")
        if self.electrons_mol_per_g <= 0.0 or self.dissolving <= 0.0:
            raise refuse("nothing_dissolves", field="anode")

    @property
    def dissolving(self) -> float:
        """Mass fraction that goes into solution as silver, copper and palladium."""
        return self.silver + self.copper + self.palladium * self.palladium_dissolving

    @property
    def slimes_metal(self) -> float:
        """Mass fraction of the followed metals that stays in the slimes bag."""
        left = self.palladium * (1.0 - self.palladium_dissolving)
        return left + self.gold + self.platinum + self.rhodium

    @property
    def electrons_mol_per_g(self) -> float:
        """Electrons given up per gram of anode consumed, in mol/g."""
        return (
            self.silver * ELECTRONS_MOL_PER_G["Ag"]
            + self.copper * ELECTRONS_MOL_PER_G["Cu"]
            + self.palladium * self.palladium_dissolving * ELECTRONS_MOL_PER_G["Pd"]
            + self.other_electrons_mol_per_g
        )


@dataclass(frozen=True)
class ChargeBalance:
    """What a charge moves, in grams: the electrolyte gives the silver that the anode does not."""

    charge_ah: float
    anode_consumed_g: float
    silver_dissolved_g: float
    copper_dissolved_g: float
    palladium_dissolved_g: float
    silver_plated_g: float
    slimes_metal_g: float

    @property
    def silver_change_g(self) -> float:
        """Change of the electrolyte's silver: what dissolved less what plated."""
        return self.silver_dissolved_g - self.silver_plated_g


def composition_from_masses(
    masses_g: Mapping[str, float],
    anode_g: float,
    *,
    palladium_dissolving: float = PALLADIUM_DISSOLVING,
) -> AnodeComposition:
    """The composition of an anode of `anode_g` grams holding `masses_g` per metal symbol.

    Raises InvalidError `unknown_metal`, or what AnodeComposition raises.
    """
    whole_g = checked(anode_g, field="anode_g", above=True)
    for metal in masses_g:
        if metal not in METALS:
            raise refuse("unknown_metal", field="anode", value=metal, metals=", ".join(METALS))
    part = {metal: masses_g.get(metal, 0.0) / whole_g for metal in METALS}
    return AnodeComposition(
        silver=part["Ag"],
        copper=part["Cu"],
        palladium=part["Pd"],
        gold=part["Au"],
        platinum=part["Pt"],
        rhodium=part["Rh"],
        palladium_dissolving=palladium_dissolving,
    )


def anode_consumed_g_per_ah(anode: AnodeComposition) -> float:
    """Grams of anode that one ampere-hour of dissolution consumes.

    Congruent dissolution is assumed: metals leave in the proportion in which the anode holds them,
    so what remains keeps its composition to the end. Source: Faraday's law; congruence is a
    modelling choice (common practice, no source).
    """
    return ELECTRONS_MOL_PER_AH / anode.electrons_mol_per_g


def balance_charge(
    charge_ah: float, anode: AnodeComposition, *, efficiency: float = 1.0
) -> ChargeBalance:
    """What `charge_ah` ampere-hours dissolve, plate and leave behind.

    `efficiency` (0 to 1.1; above 1 only through error of measurement) is silver plated over silver
    by Faraday's law. The charge that does not plate is taken not to dissolve either (a leak or a
    short), so the charges at both electrodes stay equal. Raises InvalidError `too_small` or
    `too_large`. Source: Faraday's law and charge balance.
    """
    charge = checked(charge_ah, field="charge_ah")
    plating_ah = charge * checked(efficiency, field="efficiency", maximum=1.1)
    consumed_g = plating_ah * anode_consumed_g_per_ah(anode)
    return ChargeBalance(
        charge_ah=charge,
        anode_consumed_g=consumed_g,
        silver_dissolved_g=consumed_g * anode.silver,
        copper_dissolved_g=consumed_g * anode.copper,
        palladium_dissolved_g=consumed_g * anode.palladium * anode.palladium_dissolving,
        silver_plated_g=plating_ah * SILVER_G_PER_AH,
        slimes_metal_g=consumed_g * anode.slimes_metal,
    )
