"""Writing metal off, with a cause and a stage."""

from __future__ import annotations

import pytest

from lots.ledger import accounts
from lots.ledger.holdings import holding
from lots.models import Entry, Lot, Movement
from lots.services.write_off import Cause, write_off

G = 1_000_000


def on_account(code):
    return {
        entry.metal: (entry.mass_ug, entry.owner.code)
        for entry in Entry.objects.filter(account__code=code).select_related("owner")
    }


def test_a_portion_is_written_off_with_its_cause_and_stage(act, received):
    lot = received(1000)
    movement = write_off(lot=lot, cause="spill", stage="receipt", act=act(1), mass_ug=10 * G)
    assert (movement.kind, movement.cause, movement.stage) == ("write_off", "spill", "receipt")
    assert holding(lot).metals == {"Ag": 915_750_000, "Cu": 74_250_000}
    assert on_account(accounts.LOSS) == {
        "Ag": (9_250_000, "brackwater"),
        "Cu": (750_000, "brackwater"),
    }
    lot.refresh_from_db()
    assert lot.state == Lot.State.AVAILABLE


def test_a_lot_written_off_whole_says_so(act, received):
    lot = received(1000)
    write_off(lot=lot, cause="sweep", stage="store", act=act(1))
    lot.refresh_from_db()
    assert holding(lot).is_empty
    assert lot.state == Lot.State.WRITTEN_OFF


def test_what_is_thrown_away_knowingly_goes_to_waste(act, solution):
    lot = solution(volume_ml=1000, silver_g=1)
    write_off(lot=lot, cause="filter", stage="rinse", act=act(1), volume_ul=500_000, discarded=True)
    assert on_account(accounts.WASTE) == {"Ag": (500_000, "tern-quay")}
    assert holding(lot).volume_ul == 500_000


@pytest.mark.parametrize("mass_ug", [None, 100 * G])
def test_reversal_brings_the_metal_back(act, received, comes_back, mass_ug):
    lot = received(1000)
    with comes_back():
        write_off(lot=lot, cause="fume", stage="store", act=act(1), mass_ug=mass_ug)


@pytest.mark.parametrize(
    ("given", "code", "field"),
    [
        ({"cause": "gremlins"}, "unknown_choice", "cause"),
        ({"stage": "moon"}, "unknown_choice", "stage"),
        ({"cause": Cause.OTHER}, "empty", "note"),
        ({"mass_ug": 0}, "not_positive", "mass"),
        ({"mass_ug": -5}, "not_positive", "mass"),
        ({"volume_ul": 0}, "not_positive", "volume"),
        ({"mass_ug": 1001 * G}, "more_than_there_is", "mass"),
        ({"volume_ul": 1}, "more_than_there_is", "volume"),
    ],
)
def test_what_cannot_be_is_refused(act, received, refused, given, code, field):
    lot = received(1000)
    with refused(code, field):
        write_off(**({"lot": lot, "cause": "spill", "stage": "store", "act": act(1)} | given))


def test_a_lot_already_gone_is_refused(act, received, refused):
    lot = received(1000)
    write_off(lot=lot, cause="spill", stage="store", act=act(1))
    with refused("lot_not_available", "lot"):
        write_off(lot=lot, cause="spill", stage="store", act=act(2))
    assert Movement.objects.filter(kind="write_off").count() == 1
