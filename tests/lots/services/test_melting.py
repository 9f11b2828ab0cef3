"""Melting one lot and weighing it again."""

from __future__ import annotations

import pytest

from lots.ledger import accounts
from lots.ledger.holdings import claims_of, holding
from lots.measurements.weighings import Weight
from lots.models import Entry, Lot, Movement, Weighing
from lots.services.melting import Melted, melt_lot

G = 1_000_000


@pytest.fixture
def melted(works):
    def make(form="bar", **given):
        return Melted(form, works.places["melt-bench"], **given)

    return make


def test_the_new_lot_weighs_what_it_weighs_and_keeps_the_metals(works, act, received, melted):
    lot = received(1000)
    weight = Weight(995 * G, 2 * G, works.balance)
    bar = melt_lot(lot=lot, melted=melted(weight=weight), act=act(1))
    assert (bar.form, bar.owner, bar.content) == ("bar", works.brackwater, "by_proportion")
    assert holding(bar).mass_ug == 993 * G
    assert holding(bar).metals == {"Ag": 925 * G, "Cu": 75 * G}
    assert holding(lot).is_empty
    movement = Movement.objects.get(kind="melt")
    assert movement.stage == "receipt"
    assert sum(movement.material_entries.values_list("mass_ug", flat=True)) == -7 * G
    weighing = Weighing.objects.get(purpose="melt")
    assert movement.material_entries.get(lot=bar).quantity_by_id == weighing.pk
    assert claims_of(works.brackwater) == {}


def test_a_melt_not_weighed_has_no_loss(act, received, melted):
    lot = received(1000)
    bar = melt_lot(lot=lot, melted=melted("granules"), act=act(1))
    assert holding(bar).mass_ug == 1000 * G


def test_a_declared_loss_goes_to_the_loss_account_with_its_cause(act, received, melted):
    lot = received(1000)
    bar = melt_lot(lot=lot, melted=melted(lost_ug={"Ag": 2 * G}, cause="fume"), act=act(1))
    assert holding(bar).metals == {"Ag": 923 * G, "Cu": 75 * G}
    loss = Entry.objects.get(account__code=accounts.LOSS)
    assert (loss.mass_ug, loss.metal, loss.movement.cause) == (2 * G, "Ag", "fume")


def test_reversal_gives_the_lot_back(works, act, received, melted, comes_back):
    lot = received(1000)
    weight = Weight(993 * G, 0, works.balance)
    with comes_back():
        melt_lot(
            lot=lot, melted=melted(weight=weight, lost_ug={"Ag": G}, cause="dross"), act=act(1)
        )


@pytest.mark.parametrize(
    ("given", "code", "field"),
    [
        ({"form": "solution"}, "form_not_from_a_melt", "form"),
        ({"form": "fine_crystal"}, "form_not_from_a_melt", "form"),
        ({"lost_ug": {"Ag": G}}, "unknown_choice", "cause"),
        ({"lost_ug": {"Ag": G}, "cause": "elves"}, "unknown_choice", "cause"),
        ({"lost_ug": {"Ag": G}, "cause": "other"}, "empty", "note"),
        ({"lost_ug": {"Ag": 0}, "cause": "fume"}, "not_positive", "lost.Ag"),
        ({"lost_ug": {"Ag": -1}, "cause": "fume"}, "not_positive", "lost.Ag"),
        ({"lost_ug": {"Xx": 1}, "cause": "fume"}, "unknown_metal", "lost.Xx"),
        ({"lost_ug": {"Ag": 926 * G}, "cause": "fume"}, "more_than_there_is", "lost.Ag"),
        ({"lost_ug": {"Au": 1}, "cause": "fume"}, "more_than_there_is", "lost.Au"),
        ({"description": "x" * 201}, "too_long", "description"),
    ],
)
def test_a_melt_that_cannot_be_is_refused(act, received, melted, refused, given, code, field):
    lot = received(1000)
    with refused(code, field):
        melt_lot(lot=lot, melted=melted(**given), act=act(1))


def test_a_weighing_that_cannot_be_is_refused(works, act, received, melted, refused):
    lot = received(1000)
    with refused("tare_above_gross", "weight.tare"):
        melt_lot(lot=lot, melted=melted(weight=Weight(5, 6, works.balance)), act=act(1))
    with refused("above_capacity", "weight.gross"):
        melt_lot(lot=lot, melted=melted(weight=Weight(10**10, 0, works.balance)), act=act(1))


def test_a_solution_or_a_lot_already_melted_is_refused(act, received, solution, melted, refused):
    liquid = solution()
    with refused("not_meltable", "lot"):
        melt_lot(lot=liquid, melted=melted(), act=act(1))
    lot = received(1000)
    melt_lot(lot=lot, melted=melted(), act=act(1))
    assert Lot.objects.get(pk=lot.pk).state == Lot.State.SPENT
    with refused("lot_not_available", "lot"):
        melt_lot(lot=lot, melted=melted(), act=act(2))
