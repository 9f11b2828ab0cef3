"""What a drop of hydrochloric acid can still show in a rinse: the silver-chloride cloud."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from cells.electrochemistry.checked_numbers import checked
from lots.elements import ATOMIC_WEIGHTS

# Harris, Quantitative Chemical Analysis, Appendix F: pKsp 9.74 at 25 °C.
SILVER_CHLORIDE_KSP: Final = 1.8e-10
# Hydrochloric acid of 36 % by weight: OpenStax, Chemistry 2e, Appendix F.
CONCENTRATED_HCL_MOL_PER_L: Final = 11.6
# Twenty drops to the millilitre: common practice, no source.
DROP_ML: Final = 0.05
# The reference cloud of the limit test for chlorides: 50 micrograms of chloride in 17 mL
# (Czech Pharmacopoeia 1997, 2.4.4, after the European one). What is as cloudy is surely seen.
SURE_CLOUD_MOL_PER_L: Final = 50e-6 / float(ATOMIC_WEIGHTS["Cl"].value) / 0.017


@dataclass(frozen=True)
class RinseSensitivity:
    """Silver left in a rinse, in mg/L of rinse as taken: the least that clouds, the surely seen.

    Below `onset_mg_per_l` no silver chloride forms at all; from `sure_mg_per_l` the cloud is as
    dense as the pharmacopoeia's reference. Between them it depends on light, background and eye.
    """

    chloride_mol_per_l: float
    onset_mg_per_l: float
    sure_mg_per_l: float


def rinse_sensitivity(
    sample_ml: float,
    *,
    drop_ml: float = DROP_ML,
    hcl_mol_per_l: float = CONCENTRATED_HCL_MOL_PER_L,
) -> RinseSensitivity:
    """What one drop of hydrochloric acid shows in `sample_ml` millilitres of rinse at 25 °C.

    Chloride is in excess, activities are taken as concentrations, and chloride complexes of silver
    are left out: too many drops dissolve a faint cloud again. Raises InvalidError `too_small`.
    Source: the solubility product, SILVER_CHLORIDE_KSP.
    """
    sample = checked(sample_ml, field="sample_ml", above=True)
    drop = checked(drop_ml, field="drop_ml", above=True)
    strength = checked(hcl_mol_per_l, field="hcl_mol_per_l", above=True)
    mixed_ml = sample + drop
    chloride = strength * drop / mixed_ml
    onset = SILVER_CHLORIDE_KSP / chloride
    mg_per_l = float(ATOMIC_WEIGHTS["Ag"].value) * 1000.0 * mixed_ml / sample
    return RinseSensitivity(
        chloride_mol_per_l=chloride,
        onset_mg_per_l=onset * mg_per_l,
        sure_mg_per_l=(onset + SURE_CLOUD_MOL_PER_L) * mg_per_l,
    )
