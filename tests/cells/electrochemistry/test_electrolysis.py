"""Charge balance between anode and cathode, against hand calculation."""

import pytest

from cells.electrochemistry.electrolysis import (
    SILVER_G_PER_G_DISSOLVED,
    AnodeComposition,
    anode_consumed_g_per_ah,
    balance_charge,
    composition_from_masses,
)
from config.refusals import InvalidError


def test_pure_silver_anode_leaves_the_electrolyte_unchanged():
    balance = balance_charge(100.0, AnodeComposition(silver=1.0))
    assert balance.silver_plated_g == pytest.approx(402.471, abs=1e-3)
    assert balance.silver_change_g == pytest.approx(0.0, abs=1e-9)
    assert balance.anode_consumed_g == pytest.approx(balance.silver_plated_g)


def test_every_gram_of_copper_takes_3_395_g_of_silver():
    balance = balance_charge(50.0, AnodeComposition(silver=0.8, copper=0.2))
    assert -balance.silver_change_g / balance.copper_dissolved_g == pytest.approx(
        2 * 107.8682 / 63.546
    )
    assert SILVER_G_PER_G_DISSOLVED["Cu"] == pytest.approx(3.3950, abs=5e-5)


def test_charge_of_what_dissolves_equals_charge_of_what_plates():
    anode = AnodeComposition(silver=0.7, copper=0.2, palladium=0.05, gold=0.02)
    balance = balance_charge(10.0, anode, efficiency=0.95)
    dissolved_mol = (
        balance.silver_dissolved_g / 107.8682
        + 2 * balance.copper_dissolved_g / 63.546
        + 2 * balance.palladium_dissolved_g / 106.42
    )
    assert dissolved_mol == pytest.approx(balance.silver_plated_g / 107.8682)
    assert dissolved_mol == pytest.approx(0.95 * 10 * 3600 / 96485.33212)


def test_gold_platinum_rhodium_and_undissolved_palladium_stay_in_the_slimes():
    anode = AnodeComposition(
        silver=0.90, palladium=0.04, gold=0.03, platinum=0.02, rhodium=0.01,
        palladium_dissolving=0.25,
    )  # fmt: skip
    balance = balance_charge(20.0, anode)
    assert balance.slimes_metal_g == pytest.approx(balance.anode_consumed_g * (0.03 + 0.06))
    assert balance.palladium_dissolved_g == pytest.approx(balance.anode_consumed_g * 0.01)


def test_metals_not_followed_take_their_share_of_the_charge():
    zinc_electrons = 0.05 * 2 / 65.38
    with_zinc = AnodeComposition(silver=0.95, other_electrons_mol_per_g=zinc_electrons)
    assert with_zinc.electrons_mol_per_g == pytest.approx(0.95 / 107.8682 + zinc_electrons)
    assert balance_charge(10.0, with_zinc).silver_change_g < 0.0


def test_anode_is_consumed_by_the_charge_that_dissolves_it():
    anode = AnodeComposition(silver=0.9, copper=0.1)
    charge_ah = 1000.0 / (anode_consumed_g_per_ah(anode) * 0.96)
    assert balance_charge(charge_ah, anode, efficiency=0.96).anode_consumed_g == pytest.approx(1000)
    assert anode_consumed_g_per_ah(anode) < 4.0247  # copper needs more charge per gram


def test_charge_is_shared_by_moles_of_electrons():
    anode = AnodeComposition(
        0.7, 0.2, 0.05, palladium_dissolving=0.5, other_electrons_mol_per_g=0.001
    )
    moles = {"Ag": 0.7 / 107.8682, "Cu": 2 * 0.2 / 63.546, "Pd": 0.05 / 106.42, "other": 0.001}
    whole = sum(moles.values())
    balance = balance_charge(1000.0, anode)
    dissolved_mol = 1000.0 * 3600 / 96485.33212
    silver_g = dissolved_mol * moles["Ag"] / whole * 107.8682
    assert balance.anode_consumed_g * 0.7 == pytest.approx(silver_g)


def test_composition_from_masses_divides_by_the_whole_anode():
    masses = {"Ag": 800.0, "Cu": 80.0, "Pd": 40.0, "Au": 5.0, "Pt": 3.0, "Rh": 1.0}
    anode = composition_from_masses(masses, 1000.0, palladium_dissolving=0.25)
    assert anode == AnodeComposition(0.8, 0.08, 0.04, 0.005, 0.003, 0.001, 0.25)
    assert anode.dissolving == pytest.approx(0.8 + 0.08 + 0.01)
    assert anode.slimes_metal == pytest.approx(0.03 + 0.009)


def test_electrolyte_that_plated_200_g_more_than_the_anode_gave_gained_58_9_g_of_copper():
    # Common practice, no source: 3.5 L that held 600 g of silver, still below 60 g/L of copper.
    copper_g = 200.0 / SILVER_G_PER_G_DISSOLVED["Cu"]
    assert copper_g == pytest.approx(58.91, abs=0.005)
    assert copper_g / 3.5 < 60.0
    silver_left_g_per_l = (600.0 - 200.0) / 3.5
    assert silver_left_g_per_l == pytest.approx(114.3, abs=0.1)


@pytest.mark.parametrize(
    ("arguments", "code", "field"),
    [
        ({"silver": -0.1}, "too_small", "anode.silver"),
        ({"silver": 1.1}, "too_large", "anode.silver"),
        ({"silver": float("nan")}, "not_a_number", "anode.silver"),
        ({"silver": 0.9, "copper": 0.2}, "fractions_above_one", "anode"),
        ({"silver": 0.0, "gold": 1.0}, "nothing_dissolves", "anode"),
        ({"silver": 1.0, "palladium_dissolving": 2.0}, "too_large", "anode.palladium_dissolving"),
    ],
)
def test_impossible_anode_is_refused(arguments, code, field):
    with pytest.raises(InvalidError) as refusal:
        AnodeComposition(**arguments)
    assert (refusal.value.code, refusal.value.field) == (code, field)


def test_an_anode_that_weighs_nothing_is_refused():
    with pytest.raises(InvalidError) as refusal:
        composition_from_masses({"Ag": 0.0}, 0.0)
    assert (refusal.value.code, refusal.value.field) == ("too_small", "anode_g")


def test_unknown_metal_is_refused():
    with pytest.raises(InvalidError) as refusal:
        composition_from_masses({"Xx": 1.0}, 2.0)
    assert (refusal.value.code, refusal.value.field) == ("unknown_metal", "anode")


@pytest.mark.parametrize(
    ("charge_ah", "efficiency", "code", "field"),
    [
        (-1.0, 1.0, "too_small", "charge_ah"),
        (1.0, 1.5, "too_large", "efficiency"),
        (float("inf"), 1.0, "not_a_number", "charge_ah"),
    ],
)
def test_impossible_charge_is_refused(charge_ah, efficiency, code, field):
    with pytest.raises(InvalidError) as refusal:
        balance_charge(charge_ah, AnodeComposition(silver=1.0), efficiency=efficiency)
    assert (refusal.value.code, refusal.value.field) == (code, field)
