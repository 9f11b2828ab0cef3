"""Potentials of silver and copper at the concentrations of a cell."""

import pytest

from cells.electrochemistry.nernst import copper_margin, nernst_potential_v
from config.refusals import InvalidError


def test_one_mole_per_litre_is_at_the_standard_potential():
    assert nernst_potential_v("Ag", 107.8682) == pytest.approx(0.7996)
    assert nernst_potential_v("Cu", 63.546) == pytest.approx(0.34)


def test_ten_times_less_lowers_silver_by_59_mv_and_copper_by_half_as_much():
    silver = nernst_potential_v("Ag", 10.0) - nernst_potential_v("Ag", 1.0)
    copper = nernst_potential_v("Cu", 10.0) - nernst_potential_v("Cu", 1.0)
    assert silver == pytest.approx(0.05916, abs=1e-5)
    assert copper == pytest.approx(silver / 2)


def test_silver_at_the_copper_potential_is_at_the_copper_potential():
    for kelvin in (298.15, 320.0):
        margin = copper_margin(30.0, 60.0, temperature_k=kelvin)
        at_copper = margin.silver_g_per_l_at_copper
        for metal, g_per_l in (("Ag", at_copper), ("Cu", 60.0)):
            reached_v = nernst_potential_v(metal, g_per_l, temperature_k=kelvin)
            assert reached_v == pytest.approx(margin.copper_v)


def test_copper_at_its_limit_stays_in_solution_while_any_silver_is_there():
    margin = copper_margin(30.0, 60.0)
    assert margin.margin_v > 0.4
    assert margin.silver_g_per_l_at_copper < 5e-6


@pytest.mark.parametrize(
    ("arguments", "field"),
    [({"g_per_l": 0.0}, "g_per_l"), ({"g_per_l": 1.0, "temperature_k": 0.0}, "temperature_k")],
)
def test_impossible_solution_is_refused(arguments, field):
    with pytest.raises(InvalidError) as refusal:
        nernst_potential_v("Ag", **arguments)
    assert (refusal.value.code, refusal.value.field) == ("too_small", field)
