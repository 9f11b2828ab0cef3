"""The arithmetic of a change that follows the metal."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from lots.measurements.carried_change import Leg, Step, carried, outgoing, placed, spread, staying

AMOUNTS = st.integers(min_value=1, max_value=10**12)
CHANGES = st.integers(min_value=-(10**12), max_value=10**12)


def test_portions_are_told_against_what_was_there_just_before():
    legs = [
        Leg({"Ag": 900}, mass_ug=1000),
        Leg({"Ag": -450}, mass_ug=-500),
        Leg({"Ag": -90}, mass_ug=-100),
        Leg({"Ag": 300}, mass_ug=300),
        Leg({"Ag": -660}, mass_ug=-700),
    ]
    assert outgoing(legs, "Ag") == [
        Step(0, 1),
        Step(500, 1000),
        Step(100, 500),
        Step(0, 1),
        Step(700, 700),
    ]


def test_a_metal_nobody_declared_goes_along_with_the_material():
    legs = [Leg({"Ag": 900}, mass_ug=1000), Leg({"Ag": -225}, mass_ug=-250)]
    assert outgoing(legs, "Au") == [Step(0, 1), Step(250, 1000)]
    undeclared = [Leg({}, mass_ug=1000), Leg({}, mass_ug=-250)]
    assert outgoing(undeclared, "Au") == [Step(0, 1), Step(250, 1000)]


def test_a_solution_divides_by_volume_and_water_takes_no_metal_along():
    legs = [
        Leg({"Ag": 900}, volume_ul=1000),
        Leg({}, volume_ul=-200),
        Leg({"Ag": -450}, volume_ul=-400),
    ]
    assert outgoing(legs, "Ag") == [Step(0, 1), Step(0, 1), Step(400, 800)]


def test_metal_that_left_without_material_is_told_by_itself():
    for amount in ({"mass_ug": 1000}, {"volume_ul": 1000}):
        legs = [Leg({"Ag": 900}, **amount), Leg({"Ag": -90})]
        assert outgoing(legs, "Ag") == [Step(0, 1), Step(90, 900)]


def test_half_out_and_then_half_of_the_rest():
    assert carried(100, Step(1, 2)) == 50
    assert staying(100, [Step(1, 2), Step(1, 2)]) == 25
    assert staying(-100, [Step(1, 2), Step(0, 1)]) == -50


def test_what_a_balance_is_short_of_cannot_be_placed():
    assert placed(-70, 100) == (-70, 0)
    assert placed(-130, 100) == (-100, -30)
    assert placed(30, 0) == (30, 0)


@settings(max_examples=50)
@given(CHANGES, st.lists(st.tuples(AMOUNTS, AMOUNTS), max_size=6))
def test_no_microgram_is_lost_on_the_way(change_ug, fractions):
    rest_ug, gone_ug = change_ug, 0
    for one, other in fractions:
        step = Step(min(one, other), max(one, other))
        out = carried(rest_ug, step)
        assert 0 <= abs(out) <= abs(rest_ug)
        rest_ug, gone_ug = rest_ug - out, gone_ug + out
    assert rest_ug + gone_ug == change_ug


@settings(max_examples=50)
@given(CHANGES, st.dictionaries(st.text(max_size=3), AMOUNTS, min_size=1, max_size=5))
def test_shares_sum_to_the_change(change_ug, weights):
    shares = spread(change_ug, weights)
    assert sum(shares.values()) == change_ug
    assert set(shares) == set(weights)
