"""Blending lots, and whose the blend is."""

from __future__ import annotations

import pytest

from lots.ledger.holdings import claims_of, holding
from lots.models import Lot
from lots.services.blending import Blend, blend_lots
from lots.services.taking import Take

G = 1_000_000


@pytest.fixture
def blend(works):
    return Blend(form=Lot.Form.GRANULES, place=works.places["melt-bench"])


def test_one_owners_lots_blend_into_a_lot_of_that_owner(works, act, received, blend):
    first = received(1000)
    second = received(500, declared={"Ag": "800"})
    takes = [Take(first, mass_ug=200 * G), Take(second)]
    lot = blend_lots(takes=takes, blend=blend, act=act(1))
    assert lot.owner == works.brackwater
    assert lot.received_from == works.brackwater
    assert holding(lot).metals == {"Ag": 585 * G, "Cu": 15 * G}
    assert holding(lot).mass_ug == 700 * G
    assert holding(first).mass_ug == 800 * G
    assert holding(second).is_empty
    assert claims_of(works.brackwater) == {}


def test_several_owners_metal_joins_the_pool_and_each_gains_a_claim(works, act, received, blend):
    hers = received(1000)
    theirs = received(500, owner=works.pellow, declared={"Ag": "800"})
    ours = received(100, owner=works.house, declared={"Ag": "999"})
    lot = blend_lots(takes=[Take(hers), Take(theirs), Take(ours)], blend=blend, act=act(1))
    assert lot.owner == works.house
    assert holding(lot).metals == {"Ag": 1_424_900_000, "Cu": 75 * G}
    assert claims_of(works.brackwater) == {"Ag": 925 * G, "Cu": 75 * G}
    assert claims_of(works.pellow) == {"Ag": 400 * G}
    assert claims_of(works.house) == {"Ag": 99_900_000}


def test_one_customers_lots_can_join_the_pool_on_purpose(works, act, received, blend):
    takes = [Take(received(10)), Take(received(20))]
    lot = blend_lots(takes=takes, blend=blend, act=act(1), keep_apart=False)
    assert lot.owner == works.house
    assert claims_of(works.brackwater)["Ag"] == 27_750_000


def test_reversal_parts_the_lots_again(works, act, received, blend, comes_back):
    takes = [Take(received(10)), Take(received(20, owner=works.pellow))]
    with comes_back():
        blend_lots(takes=takes, blend=blend, act=act(1))


def test_a_blend_of_one_lot_or_none_is_refused(act, received, blend, refused):
    lot = received(10)
    with refused("blend_needs_two", "inputs"):
        blend_lots(takes=[Take(lot)], blend=blend, act=act(1))
    with refused("nothing_taken", "inputs"):
        blend_lots(takes=[], blend=blend, act=act(1))
    with refused("taken_twice", "inputs.1"):
        blend_lots(takes=[Take(lot, mass_ug=G), Take(lot, mass_ug=G)], blend=blend, act=act(1))


@pytest.mark.parametrize(
    ("mass_g", "code"), [(0, "not_positive"), (-1, "not_positive"), (11, "more_than_there_is")]
)
def test_a_portion_that_cannot_be_is_refused(act, received, blend, refused, mass_g, code):
    takes = [Take(received(10), mass_ug=mass_g * G), Take(received(20))]
    with refused(code, "inputs.0.mass"):
        blend_lots(takes=takes, blend=blend, act=act(1))


@pytest.mark.parametrize("form", ["anode_charge", "in_process", "slimes_bag", "porridge", ""])
def test_a_form_that_no_blend_has_is_refused(works, act, received, refused, form):
    takes = [Take(received(10)), Take(received(20))]
    with refused("form_not_blended", "form"):
        blend_lots(takes=takes, blend=Blend(form, works.places["melt-bench"]), act=act(1))


def test_a_solution_with_a_solid_is_refused(act, received, solution, blend, refused):
    takes = [Take(received(10)), Take(solution(volume_ml=10, silver_g=1))]
    with refused("liquid_with_solid", "inputs.1"):
        blend_lots(takes=takes, blend=blend, act=act(1))
