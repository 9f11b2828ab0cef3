"""Setting a lot aside, and releasing it."""

from __future__ import annotations

import pytest

from lots.ledger.holdings import holding
from lots.models import Lot
from lots.services.quarantine import quarantine_lot, release_lot
from lots.services.shipping import ship_lot
from lots.services.splitting import Part, split_lot
from lots.services.transfer import transfer_lot
from lots.services.write_off import write_off

G = 1_000_000


def test_a_lot_set_aside_is_not_used_until_released(works, act, received, refused):
    lot = received(1000)
    quarantine_lot(lot=lot, reason="torn bag", place=works.places["quarantine"], act=act(1))
    lot.refresh_from_db()
    assert (lot.state, lot.state_reason) == (Lot.State.QUARANTINED, "torn bag")
    assert lot.place == works.places["quarantine"]
    assert holding(lot).metals == {"Ag": 925 * G, "Cu": 75 * G}
    with refused("lot_not_available", "lot"):
        ship_lot(lot=lot, to=works.pellow, act=act(2))
    with refused("lot_not_available", "lot"):
        split_lot(lot=lot, parts=[Part(mass_ug=G)], act=act(2))
    movement = release_lot(
        lot=lot, reason="assayed at 999.2", place=works.places["fine-safe"], act=act(3)
    )
    lot.refresh_from_db()
    assert (lot.state, lot.state_reason) == (Lot.State.AVAILABLE, "")
    assert (lot.place, movement.note) == (works.places["fine-safe"], "assayed at 999.2")


def test_a_lot_in_quarantine_can_be_carried_elsewhere_or_written_off(works, act, received):
    lot = received(1000)
    quarantine_lot(lot=lot, reason="torn bag", act=act(1))
    transfer_lot(lot=lot, place=works.places["quarantine"], act=act(2))
    write_off(lot=lot, cause="spill", stage="cell", act=act(3), mass_ug=G)
    lot.refresh_from_db()
    assert lot.state == Lot.State.QUARANTINED


def test_reversal_undoes_quarantine_and_release(works, act, received, comes_back):
    lot = received(1000)
    with comes_back():
        quarantine_lot(lot=lot, reason="torn bag", act=act(1))
    quarantine_lot(lot=lot, reason="torn bag", act=act(2))
    with comes_back():
        release_lot(lot=lot, reason="fine", place=works.places["fine-safe"], act=act(3))
    lot.refresh_from_db()
    assert (lot.state, lot.state_reason) == (Lot.State.QUARANTINED, "torn bag")


@pytest.mark.parametrize(("reason", "code"), [("", "empty"), ("x" * 201, "too_long")])
def test_quarantine_and_release_need_a_reason(act, received, refused, reason, code):
    lot = received(1000)
    with refused(code, "reason"):
        quarantine_lot(lot=lot, reason=reason, act=act(1))
    quarantine_lot(lot=lot, reason="torn bag", act=act(1))
    with refused(code, "reason"):
        release_lot(lot=lot, reason=reason, act=act(2))


def test_nothing_is_set_aside_or_released_twice_or_before_it_came(act, received, refused):
    lot = received(1000, hours=1)
    with refused("not_in_quarantine", "lot"):
        release_lot(lot=lot, reason="fine", act=act(2))
    with refused("lot_not_there_yet", "occurred_at"):
        quarantine_lot(lot=lot, reason="torn bag", act=act(0))
    quarantine_lot(lot=lot, reason="torn bag", act=act(2))
    with refused("lot_not_available", "lot"):
        quarantine_lot(lot=lot, reason="again", act=act(3))
