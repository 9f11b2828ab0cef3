"""Nitric acid by strength: Perry's Chemical Engineers' Handbook, 6th ed., and other figures."""

from itertools import pairwise

import pytest

from cells.electrochemistry.nitric_acid import (
    DENSITY_AT_20_C,
    HNO3_G_PER_MOL,
    acid_volume_ml,
    density_g_per_ml,
    molarity_mol_per_l,
)
from config.refusals import InvalidError


@pytest.mark.parametrize(
    ("percent", "density"),
    [
        (1, 1.00364),
        (2, 1.00909),
        (3, 1.01457),
        (5, 1.02563),
        (8, 1.0427),
        (10, 1.0543),
        (11, 1.0602),
        (13, 1.0721),
        (52, 1.3219),
        (68, 1.4048),
    ],
)
def test_density_at_20_c_is_that_of_the_handbook(percent, density):
    assert density_g_per_ml(percent) == pytest.approx(density, abs=3e-4)


@pytest.mark.parametrize(
    ("mol_per_kg_water", "at_10_c", "at_25_c"),
    [(2.0, 1.06480, 1.05915), (4.0, 1.12152, 1.11316), (6.0, 1.16977, 1.15873)],
)
def test_density_agrees_with_a_table_by_molality(mol_per_kg_water, at_10_c, at_25_c):
    # advancedthermo.com, "Density of nitric acid, HNO3(aq)", 10 °C and 25 °C, taken to 20 °C.
    solute_g = mol_per_kg_water * HNO3_G_PER_MOL
    percent = 100 * solute_g / (1000 + solute_g)
    at_20_c = at_10_c + (at_25_c - at_10_c) * 10 / 15
    assert density_g_per_ml(percent) == pytest.approx(at_20_c, abs=1e-3)


def test_litre_of_70_per_cent_holds_989_g():
    # 70 % by weight, 1.413 g/mL: 15.6976 mol/L with M = 63.01 (laboratorynotes.com).
    assert 10 * 70 * density_g_per_ml(70) == pytest.approx(989, abs=1)
    assert molarity_mol_per_l(70) == pytest.approx(15.6976, rel=1e-3)


def test_69_per_cent_is_15_44_molar():
    # NCERT Chemistry, class XI, problem 1.6: 69 % by mass, 1.41 g/mL.
    assert molarity_mol_per_l(69) == pytest.approx(15.44, rel=2e-3)


def test_rows_recalled_lie_smoothly_between_rows_looked_up():
    # The slope of density by strength never jumps: each is within an eighth of its neighbour.
    slopes = [
        (high - low) / (right - left) for (left, low), (right, high) in pairwise(DENSITY_AT_20_C)
    ]
    for before, after in pairwise(slopes):
        assert after == pytest.approx(before, rel=0.12)


def test_volume_holds_the_moles_asked_for():
    assert acid_volume_ml(1.0, 68.0) == pytest.approx(1000 / molarity_mol_per_l(68.0))


@pytest.mark.parametrize(
    ("percent", "code"), [(-1.0, "too_small"), (70.5, "too_large"), (float("nan"), "not_a_number")]
)
def test_strength_outside_the_table_is_refused(percent, code):
    with pytest.raises(InvalidError) as refusal:
        density_g_per_ml(percent)
    assert (refusal.value.code, refusal.value.field) == (code, "acid_percent")
