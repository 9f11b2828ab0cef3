"""CIAAW/IUPAC standard atomic weights 2021 and the CODATA Faraday constant.

Atomic weights: T. Prohaska et al., Pure Appl. Chem. 94 (2022) 573, abridged values, as shipped by
the periodictable package; the molmass package carries isotopic means of older tables, so it is
held to 3E-5 only. Faraday constant: scipy.constants (CODATA). All are reference libraries.
"""

from decimal import Decimal

import periodictable
import pytest
from molmass import Formula
from scipy import constants

from config.refusals import InvalidError
from lots.elements import (
    ATOMIC_WEIGHTS,
    FARADAY_C_PER_MOL,
    METALS,
    STAYS_IN_SLIMES,
    VALENCE_IN_SILVER_CELL,
    atomic_weight,
    electrochemical_equivalent_g_per_ah,
    molar_mass,
)

# Relative difference between the tables that the two packages ship; hydrogen and chlorine vary in
# nature, so their abridged values stand further from the isotopic mean.
BETWEEN_TABLES = 3e-5
BETWEEN_TABLES_WIDE = 1e-4
COMPOUNDS = {
    "AgNO3": {"Ag": 1, "N": 1, "O": 3},
    "AgCl": {"Ag": 1, "Cl": 1},
    "HNO3": {"H": 1, "N": 1, "O": 3},
    "Cu(NO3)2": {"Cu": 1, "N": 2, "O": 6},
}


@pytest.mark.parametrize("symbol", ATOMIC_WEIGHTS)
def test_atomic_weight_is_ciaaw_2021(symbol):
    assert float(atomic_weight(symbol)) == getattr(periodictable, symbol).mass


@pytest.mark.parametrize("symbol", ATOMIC_WEIGHTS)
def test_atomic_weight_is_close_to_older_tables(symbol):
    tolerance = BETWEEN_TABLES_WIDE if symbol in ("H", "Cl") else BETWEEN_TABLES
    assert float(atomic_weight(symbol)) == pytest.approx(Formula(symbol).mass, rel=tolerance)


@pytest.mark.parametrize(("formula", "atoms"), COMPOUNDS.items())
def test_molar_mass_of_the_cells_compounds(formula, atoms):
    assert float(molar_mass(atoms)) == pytest.approx(Formula(formula).mass, rel=BETWEEN_TABLES)
    published = periodictable.formula(formula).mass
    assert float(molar_mass(atoms)) == pytest.approx(published, rel=1e-12)


@pytest.mark.parametrize("symbol", ATOMIC_WEIGHTS)
def test_uncertainty_is_the_tables_as_a_rectangle(symbol):
    weight = ATOMIC_WEIGHTS[symbol]
    published = getattr(periodictable, symbol)._mass_unc
    assert float(weight.quoted_uncertainty) == pytest.approx(published, rel=1e-9)
    assert float(weight.standard_uncertainty) == pytest.approx(published / 3**0.5, rel=1e-9)


def test_faraday_constant_is_codata():
    assert float(FARADAY_C_PER_MOL) == pytest.approx(
        constants.physical_constants["Faraday constant"][0], rel=1e-15
    )
    assert Decimal("96485.3321233100184") == FARADAY_C_PER_MOL


@pytest.mark.parametrize(
    ("metal", "charge_number"),
    [("Ag", 1), ("Cu", 2), ("Au", 3), ("Au", 1), ("Pd", 2), ("Pt", 4)],
)
def test_equivalents_follow_faradays_law_from_the_libraries(metal, charge_number):
    published = getattr(periodictable, metal).mass * 3600
    published /= charge_number * constants.e * constants.N_A
    ours = electrochemical_equivalent_g_per_ah(metal, charge_number)
    assert float(ours) == pytest.approx(published, rel=1e-14)


def test_an_ampere_hour_of_silver_and_the_silver_a_gram_of_copper_takes():
    silver = electrochemical_equivalent_g_per_ah("Ag", 1)
    copper = electrochemical_equivalent_g_per_ah("Cu", 2)
    assert round(silver, 5) == Decimal("4.02471")
    assert round(silver / copper, 3) == Decimal("3.395")


def test_every_metal_either_dissolves_in_the_cell_or_stays_in_the_slimes():
    # Common practice, no source.
    assert sorted([*VALENCE_IN_SILVER_CELL, *STAYS_IN_SLIMES]) == sorted(METALS)


@pytest.mark.parametrize("charge_number", [0, -1, 9, 1.5, True, "1", None])
def test_charge_number_refused(charge_number):
    with pytest.raises(InvalidError) as refusal:
        electrochemical_equivalent_g_per_ah("Ag", charge_number)
    assert refusal.value.code == "charge_number_out_of_range"
    assert refusal.value.field == "charge_number"


@pytest.mark.parametrize("symbol", ["Xx", "ag", "", None, ["Ag"]])
def test_unknown_element_refused(symbol):
    with pytest.raises(InvalidError) as refusal:
        atomic_weight(symbol)
    assert refusal.value.code == "unknown_element"
    assert refusal.value.field == "metal"
