"""Dissolving, cementing and silver nitrate, against balanced equations and a chemistry package."""

from collections import Counter

import pytest
from molmass import Formula

from cells.electrochemistry.nitric_acid import molarity_mol_per_l
from cells.electrochemistry.stoichiometry import (
    CONCENTRATED,
    DILUTE,
    cement_silver,
    dissolve_metal,
    metal_dissolved_by_g,
    nitrate_for_silver_g,
    silver_in_nitrate_g,
)
from config.refusals import InvalidError


def atoms(side):
    total = Counter()
    for formula, moles in side:
        for symbol, item in Formula(formula).composition().items():
            total[symbol] += moles * item.count
    return total


@pytest.mark.parametrize(
    ("metal", "nitrate", "table"),
    [
        ("Ag", "AgNO3", DILUTE),
        ("Ag", "AgNO3", CONCENTRATED),
        ("Cu", "Cu(NO3)2", DILUTE),
        ("Cu", "Cu(NO3)2", CONCENTRATED),
    ],
)
def test_reactions_balance_atom_by_atom(metal, nitrate, table):
    reaction = table[metal]
    left = atoms([(metal, 1), ("HNO3", reaction.acid)])
    right = atoms(
        [
            (nitrate, 1),
            ("NO", reaction.nitrogen_monoxide),
            ("NO2", reaction.nitrogen_dioxide),
            ("H2O", reaction.water),
        ]
    )
    assert left == pytest.approx(right)


def test_dilute_acid_dissolves_silver_with_the_least_acid():
    need = dissolve_metal("Ag", 107.8682, acid_percent=68.0, concentrated_share=0.0)
    assert need.acid_mol == pytest.approx(4 / 3)
    assert need.nitrogen_monoxide_mol == pytest.approx(1 / 3)
    assert need.nitrogen_dioxide_mol == 0.0
    assert need.nitrate_g == pytest.approx(Formula("AgNO3").mass, rel=3e-5)


def test_point_between_lies_between():
    def acid_mol(share):
        return dissolve_metal("Cu", 63.546, acid_percent=50.0, concentrated_share=share).acid_mol

    assert acid_mol(0.0) == pytest.approx(8 / 3)
    assert acid_mol(1.0) == pytest.approx(4.0)
    assert acid_mol(0.25) == pytest.approx(3.0)


@pytest.mark.parametrize("metal", ["Ag", "Cu"])
def test_acid_reckoned_for_a_metal_dissolves_it_again(metal):
    need = dissolve_metal(metal, 150.0, acid_percent=61.0, concentrated_share=0.3)
    again = metal_dissolved_by_g(metal, need.acid_ml, acid_percent=61.0, concentrated_share=0.3)
    assert again == pytest.approx(150.0)


def test_190_ml_of_concentrated_acid_dissolves_some_200_to_230_g_with_a_little_left_over():
    # Common practice, no source. By the dilute reaction alone there is acid to spare at 230 g;
    # by the concentrated one alone there would not be enough even for 200 g.
    def dissolved_g(share):
        return metal_dissolved_by_g("Ag", 190.0, acid_percent=68.0, concentrated_share=share)

    assert 230.0 < dissolved_g(0.0) < 245.0
    assert dissolved_g(1.0) < 200.0
    assert 200.0 < dissolved_g(0.25) < 230.0


def test_cementation_takes_a_gram_of_copper_for_3_395_g_of_silver():
    cemented = cement_silver(339.5)
    assert cemented.copper_g == pytest.approx(100.0, abs=0.01)
    assert cemented.silver_g == 339.5


def test_silver_nitrate_is_63_5_per_cent_silver():
    assert silver_in_nitrate_g(100.0) == pytest.approx(63.50, abs=0.005)
    assert nitrate_for_silver_g(silver_in_nitrate_g(42.0)) == pytest.approx(42.0)


@pytest.mark.parametrize(
    ("arguments", "code", "field"),
    [
        (("Au", 1.0, 68.0, 0.5), "does_not_dissolve", "metal"),
        (("Ag", -1.0, 68.0, 0.5), "too_small", "metal_g"),
        (("Ag", 1.0, 0.0, 0.5), "too_small", "acid_percent"),
        (("Ag", 1.0, 90.0, 0.5), "too_large", "acid_percent"),
        (("Ag", 1.0, 68.0, 1.5), "too_large", "concentrated_share"),
    ],
)
def test_impossible_dissolution_is_refused(arguments, code, field):
    metal, metal_g, percent, share = arguments
    with pytest.raises(InvalidError) as refusal:
        dissolve_metal(metal, metal_g, acid_percent=percent, concentrated_share=share)
    assert (refusal.value.code, refusal.value.field) == (code, field)


def test_molarity_rises_with_strength():
    strengths = [molarity_mol_per_l(percent) for percent in range(71)]
    assert strengths == sorted(strengths)
    assert strengths[0] == 0.0
