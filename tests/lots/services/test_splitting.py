"""Splitting a lot into labelled parts."""

from __future__ import annotations

import pytest

from lots.ledger.holdings import holding
from lots.models import Lot, Movement
from lots.services.splitting import Part, split_lot
from lots.services.write_off import write_off

G = 1_000_000


def new_lots(movement: Movement) -> list[Lot]:
    return [each.lot for each in movement.standings.order_by("id")]


def test_parts_take_every_metal_in_proportion_and_the_rest_keeps_its_label(works, act, received):
    lot = received(1000)
    parts = [Part(mass_ug=600 * G), Part(mass_ug=150 * G, place=works.places["melt-bench"])]
    movement = split_lot(lot=lot, parts=parts, act=act(1))
    first, second = new_lots(movement)
    assert (first.form, first.owner, first.place) == (lot.form, lot.owner, lot.place)
    assert second.place == works.places["melt-bench"]
    assert holding(first).metals == {"Ag": 555 * G, "Cu": 45 * G}
    assert holding(second).metals == {"Ag": 138_750_000, "Cu": 11_250_000}
    assert holding(lot).metals == {"Ag": 231_250_000, "Cu": 18_750_000}
    assert [holding(each).mass_ug for each in (first, second, lot)] == [600 * G, 150 * G, 250 * G]
    assert movement.kind == Movement.Kind.SPLIT


def test_a_lot_split_whole_is_spent_and_no_microgram_is_lost(act, received):
    lot = received(1, declared={"Ag": "333.333"})
    parts = [Part(mass_ug=333_333), Part(mass_ug=333_333), Part(mass_ug=333_334)]
    children = new_lots(split_lot(lot=lot, parts=parts, act=act(1)))
    assert sum(holding(each).metals["Ag"] for each in children) == 333_333
    assert sum(holding(each).mass_ug for each in children) == G
    assert holding(lot).is_empty
    lot.refresh_from_db()
    assert lot.state == Lot.State.SPENT


def test_the_rest_can_have_a_label_of_its_own(act, received):
    lot = received(1000)
    children = new_lots(
        split_lot(lot=lot, parts=[Part(mass_ug=600 * G)], act=act(1), label_rest=True)
    )
    assert [holding(each).mass_ug for each in children] == [600 * G, 400 * G]
    assert holding(lot).is_empty


def test_a_solution_divides_by_volume(act, solution):
    lot = solution(volume_ml=2000, silver_g=100)
    (child,) = new_lots(split_lot(lot=lot, parts=[Part(volume_ul=500_000)], act=act(1)))
    assert holding(child).volume_ul == 500_000
    assert holding(child).metals == {"Ag": 25 * G}


def test_reversal_gives_the_lot_back(act, received, comes_back):
    lot = received(1000)
    with comes_back():
        split_lot(lot=lot, parts=[Part(mass_ug=600 * G), Part(mass_ug=400 * G)], act=act(1))


@pytest.mark.parametrize(
    ("parts", "code", "field"),
    [
        ([], "nothing_taken", "parts"),
        ([Part(mass_ug=0)], "not_positive", "parts.0.mass"),
        ([Part(mass_ug=1), Part(mass_ug=-1)], "not_positive", "parts.1.mass"),
        ([Part(volume_ul=0)], "not_positive", "parts.0.volume"),
        ([Part()], "one_quantity_needed", "parts.0"),
        ([Part(mass_ug=1), Part(volume_ul=1)], "one_quantity_needed", "parts.1"),
        ([Part(mass_ug=1, volume_ul=1)], "one_quantity_needed", "parts.0"),
        ([Part(mass_ug=600 * G), Part(mass_ug=401 * G)], "more_than_there_is", "parts"),
        ([Part(volume_ul=1)], "more_than_there_is", "parts"),
        ([Part(mass_ug=G, description="x" * 201)], "too_long", "description"),
        ([Part(mass_ug=G, code="GR26-0001-A")], "bad_check_character", "code"),
    ],
)
def test_parts_that_cannot_be_are_refused(act, received, refused, parts, code, field):
    lot = received(1000)
    with refused(code, field):
        split_lot(lot=lot, parts=parts, act=act(1))


def test_a_label_already_on_another_lot_is_refused(act, received, refused):
    lot = received(1000)
    with refused("duplicate_code", "code"):
        split_lot(lot=lot, parts=[Part(mass_ug=G, code=lot.code)], act=act(1))


def test_a_lot_that_is_spent_or_not_there_yet_is_refused(act, received, refused):
    lot = received(1000, hours=2)
    with refused("lot_is_empty", "lot"):
        split_lot(lot=lot, parts=[Part(mass_ug=G)], act=act(1))
    write_off(lot=lot, cause="spill", stage="store", act=act(3))
    with refused("lot_not_available", "lot"):
        split_lot(lot=lot, parts=[Part(mass_ug=G)], act=act(4))


def test_a_back_dated_split_that_would_overdraw_the_lot_later_is_refused(act, received, refused):
    lot = received(1000)
    split_lot(lot=lot, parts=[Part(mass_ug=900 * G)], act=act(3))
    with refused("lot_overdrawn", "Ag"):
        split_lot(lot=lot, parts=[Part(mass_ug=500 * G)], act=act(2))
