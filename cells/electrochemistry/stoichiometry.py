"""How much of one substance another needs: dissolving, cementing, crystals of silver nitrate.

Nitric acid gives off poisonous oxides of nitrogen and its silver solutions burn and stain; the
cautions shown at each step are in `cells.cautions`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from cells.electrochemistry.checked_numbers import checked
from cells.electrochemistry.electrolysis import SILVER_G_PER_G_DISSOLVED
from cells.electrochemistry.nitric_acid import acid_volume_ml, molarity_mol_per_l
from config.refusals import refuse
from lots.elements import ATOMIC_WEIGHTS, molar_mass

SILVER_NITRATE_G_PER_MOL: Final = float(molar_mass({"Ag": 1, "N": 1, "O": 3}))
COPPER_NITRATE_G_PER_MOL: Final = float(molar_mass({"Cu": 1, "N": 2, "O": 6}))


@dataclass(frozen=True)
class Reaction:
    """Moles of acid, gas and water per mole of metal dissolved in nitric acid."""

    acid: float
    nitrogen_monoxide: float
    nitrogen_dioxide: float
    water: float


# Dilute and hot: 3 Ag + 4 HNO3 -> 3 AgNO3 + NO + 2 H2O, 3 Cu + 8 HNO3 -> 3 Cu(NO3)2 + 2 NO + 4 H2O.
# Concentrated: Ag + 2 HNO3 -> AgNO3 + NO2 + H2O, Cu + 4 HNO3 -> Cu(NO3)2 + 2 NO2 + 2 H2O.
DILUTE: Final[dict[str, Reaction]] = {
    "Ag": Reaction(4 / 3, 1 / 3, 0.0, 2 / 3),
    "Cu": Reaction(8 / 3, 2 / 3, 0.0, 4 / 3),
}
CONCENTRATED: Final[dict[str, Reaction]] = {
    "Ag": Reaction(2.0, 0.0, 1.0, 1.0),
    "Cu": Reaction(4.0, 0.0, 2.0, 2.0),
}
NITRATE_G_PER_MOL: Final[dict[str, float]] = {
    "Ag": SILVER_NITRATE_G_PER_MOL,
    "Cu": COPPER_NITRATE_G_PER_MOL,
}


@dataclass(frozen=True)
class Dissolution:
    """What dissolving a metal takes and gives: acid in moles and mL, nitrate in grams, gases."""

    metal_g: float
    acid_mol: float
    acid_ml: float
    nitrate_g: float
    nitrogen_monoxide_mol: float
    nitrogen_dioxide_mol: float
    water_mol: float


@dataclass(frozen=True)
class Cementation:
    """Cementing a solution's silver on copper: copper consumed, silver expected, in grams.

    The copper consumed goes into the solution.
    """

    copper_g: float
    silver_g: float


def dissolve_metal(
    metal: str, metal_g: float, *, acid_percent: float, concentrated_share: float
) -> Dissolution:
    """Nitric acid of `acid_percent` % by weight that just dissolves `metal_g` grams of Ag or Cu.

    `concentrated_share` (0 to 1) is the part of the metal that dissolves by the concentrated
    reaction (NO2), the rest by the dilute one (NO); real use lies between. No acid is left free.
    Raises InvalidError `does_not_dissolve`, `too_small` or `too_large`. Source: the balanced
    equations beside DILUTE and CONCENTRATED.
    """
    moles = checked(metal_g, field="metal_g") / _g_per_mol(metal)
    reaction = _between(metal, concentrated_share)
    acid_mol = moles * reaction.acid
    return Dissolution(
        metal_g=metal_g,
        acid_mol=acid_mol,
        acid_ml=acid_volume_ml(acid_mol, acid_percent),
        nitrate_g=moles * NITRATE_G_PER_MOL[metal],
        nitrogen_monoxide_mol=moles * reaction.nitrogen_monoxide,
        nitrogen_dioxide_mol=moles * reaction.nitrogen_dioxide,
        water_mol=moles * reaction.water,
    )


def metal_dissolved_by_g(
    metal: str, acid_ml: float, *, acid_percent: float, concentrated_share: float
) -> float:
    """Grams of Ag or Cu that `acid_ml` millilitres of nitric acid dissolve when all is used.

    Raises InvalidError `does_not_dissolve`, `too_small` or `too_large`.
    """
    millilitres = checked(acid_ml, field="acid_ml")
    acid_mol = millilitres / 1000.0 * molarity_mol_per_l(acid_percent)
    return acid_mol / _between(metal, concentrated_share).acid * _g_per_mol(metal)


def cement_silver(silver_g: float) -> Cementation:
    """What cements `silver_g` grams of dissolved silver: Cu + 2 Ag+ -> Cu2+ + 2 Ag.

    In use a little more copper is laid in; free nitric acid dissolves some of it besides (see
    `dissolve_metal`). Raises InvalidError `too_small`.
    """
    silver = checked(silver_g, field="silver_g")
    return Cementation(copper_g=silver / SILVER_G_PER_G_DISSOLVED["Cu"], silver_g=silver)


def silver_in_nitrate_g(crystals_g: float) -> float:
    """Silver in `crystals_g` grams of dry silver nitrate. Raises InvalidError `too_small`."""
    share = float(ATOMIC_WEIGHTS["Ag"].value) / SILVER_NITRATE_G_PER_MOL
    return checked(crystals_g, field="crystals_g") * share


def nitrate_for_silver_g(silver_g: float) -> float:
    """Dry silver nitrate that holds `silver_g` grams of silver. Raises InvalidError `too_small`."""
    share = SILVER_NITRATE_G_PER_MOL / float(ATOMIC_WEIGHTS["Ag"].value)
    return checked(silver_g, field="silver_g") * share


def _g_per_mol(metal: str) -> float:
    if metal not in DILUTE:
        raise refuse("does_not_dissolve:stoichiometry", field="metal", value=metal)
    return float(ATOMIC_WEIGHTS[metal].value)


def _between(metal: str, concentrated_share: float) -> Reaction:
    _g_per_mol(metal)
    share = checked(concentrated_share, field="concentrated_share", maximum=1.0)
    dilute, strong = DILUTE[metal], CONCENTRATED[metal]

    def mixed(name: str) -> float:
        low, high = getattr(dilute, name), getattr(strong, name)
        return float(low + share * (high - low))

    return Reaction(
        mixed("acid"), mixed("nitrogen_monoxide"), mixed("nitrogen_dioxide"), mixed("water")
    )
