"""Why copper stays in solution while silver plates: electrode potentials by concentration."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from cells.electrochemistry.checked_numbers import checked
from lots.elements import ATOMIC_WEIGHTS, FARADAY_C_PER_MOL, VALENCE_IN_SILVER_CELL

Plating = Literal["Ag", "Cu", "Pd"]
# Standard potentials at 25 °C against the hydrogen electrode: OpenStax, Chemistry 2e, Appendix L.
STANDARD_POTENTIAL_V: Final[dict[Plating, float]] = {"Ag": 0.7996, "Cu": 0.34, "Pd": 0.987}
# Exact since the 2019 SI: the product of the Avogadro and Boltzmann constants.
GAS_CONSTANT_J_PER_MOL_K: Final = 8.31446261815324
ROOM_K: Final = 298.15


@dataclass(frozen=True)
class CopperMargin:
    """Potentials of both metals, and the silver at which copper could begin to plate with it."""

    silver_v: float
    copper_v: float
    silver_g_per_l_at_copper: float

    @property
    def margin_v(self) -> float:
        """How far silver plates above copper, in volts."""
        return self.silver_v - self.copper_v


def nernst_potential_v(metal: Plating, g_per_l: float, *, temperature_k: float = ROOM_K) -> float:
    """Equilibrium potential in volts of Ag, Cu or Pd in a solution of its ion, in g/L.

    Concentrations in mol/L stand for activities, which in a strong electrolyte is good to some
    ten millivolts. Raises InvalidError `too_small`. Source: the Nernst equation,
    E = E0 + RT/(zF) ln c.
    """
    grams = checked(g_per_l, field="g_per_l", above=True)
    kelvin = checked(temperature_k, field="temperature_k", above=True)
    mol_per_l = grams / float(ATOMIC_WEIGHTS[metal].value)
    volts = _thermal_volts(kelvin) / VALENCE_IN_SILVER_CELL[metal]
    return STANDARD_POTENTIAL_V[metal] + volts * math.log(mol_per_l)


def copper_margin(
    silver_g_per_l: float, copper_g_per_l: float, *, temperature_k: float = ROOM_K
) -> CopperMargin:
    """How far from plating copper an electrolyte is at equilibrium.

    `silver_g_per_l_at_copper` is the silver, in g/L, at which its potential has fallen to that of
    the copper. It is a few micrograms per litre, so copper plates only where the crystal's surface
    is starved of silver: by too high a current, too little stirring, or silver used up. The
    practical limit of copper is therefore not set by equilibrium. Raises InvalidError `too_small`.
    """
    copper_v = nernst_potential_v("Cu", copper_g_per_l, temperature_k=temperature_k)
    exponent = (copper_v - STANDARD_POTENTIAL_V["Ag"]) / _thermal_volts(temperature_k)
    return CopperMargin(
        silver_v=nernst_potential_v("Ag", silver_g_per_l, temperature_k=temperature_k),
        copper_v=copper_v,
        silver_g_per_l_at_copper=math.exp(exponent) * float(ATOMIC_WEIGHTS["Ag"].value),
    )


def _thermal_volts(temperature_k: float) -> float:
    return GAS_CONSTANT_J_PER_MOL_K * temperature_k / float(FARADAY_C_PER_MOL)
