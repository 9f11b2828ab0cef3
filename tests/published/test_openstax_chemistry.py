"""P. Flowers et al., Chemistry 2e (OpenStax): Appendices F (acids) and L (potentials), checked."""

import math

import pytest

from cells.electrochemistry.nernst import STANDARD_POTENTIAL_V, copper_margin
from cells.electrochemistry.nitric_acid import molarity_mol_per_l
from cells.electrochemistry.silver_chloride import CONCENTRATED_HCL_MOL_PER_L, SILVER_CHLORIDE_KSP

RT_OVER_F_V = 0.025692579  # 8.314462618 x 298.15 / 96485.33212


def test_standard_potentials_are_those_of_appendix_l():
    assert STANDARD_POTENTIAL_V == {"Ag": 0.7996, "Cu": 0.34, "Pd": 0.987}


def test_silver_potential_agrees_with_kaye_and_laby():
    # Kaye & Laby, Tables of Physical and Chemical Constants, 3.9.3: 0.799 V.
    assert pytest.approx(0.799, abs=0.001) == STANDARD_POTENTIAL_V["Ag"]


def test_copper_at_60_g_per_l_plates_only_below_micrograms_of_silver_per_litre():
    # By hand: exp((0.34 - 0.7996) / 0.025693) x sqrt(60 / 63.546) mol/L of silver.
    by_hand = math.exp((0.34 - 0.7996) / RT_OVER_F_V) * math.sqrt(60 / 63.546) * 107.8682
    assert copper_margin(30.0, 60.0).silver_g_per_l_at_copper == pytest.approx(by_hand, rel=1e-5)


def test_solubility_product_agrees_with_the_potentials_of_both_silver_electrodes():
    # AgCl + e -> Ag + Cl-, 0.22233 V, less Ag+ + e -> Ag, 0.7996 V (Appendix L).
    from_potentials = math.exp((0.22233 - 0.7996) / RT_OVER_F_V)
    assert from_potentials == pytest.approx(1.746e-10, rel=1e-3)
    assert pytest.approx(from_potentials, rel=0.05) == SILVER_CHLORIDE_KSP


def test_hydrochloric_acid_of_36_per_cent_is_11_6_molar():
    # Appendix F: 36 % by mass, 1.18 g/mL, 11.6 mol/L.
    assert pytest.approx(10 * 36 * 1.18 / 36.458, abs=0.06) == CONCENTRATED_HCL_MOL_PER_L


def test_nitric_acid_of_appendix_f_is_near_the_table():
    # Appendix F: 71 % by mass, 16.0 mol/L; the table ends at 70 %.
    assert molarity_mol_per_l(70.0) * 71 / 70 == pytest.approx(16.0, rel=0.01)
