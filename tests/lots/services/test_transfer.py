"""Carrying a lot to another place."""

from __future__ import annotations

from lots.ledger.holdings import AsOf, holding
from lots.ledger.standings import standings_of
from lots.models import Lot, Movement
from lots.services.transfer import transfer_lot


def test_a_lot_stands_at_its_new_place_and_keeps_its_metal(works, act, received):
    lot = received(1000)
    before = holding(lot)
    movement = transfer_lot(lot=lot, place=works.places["melt-bench"], act=act(2))
    lot.refresh_from_db()
    assert (movement.kind, lot.place) == (Movement.Kind.TRANSFER, works.places["melt-bench"])
    assert holding(lot) == before
    assert not movement.entries.exists()
    earlier = standings_of([lot], AsOf(act(1).moment))[lot.pk]
    assert earlier.place_id == works.places["feed-shelf"].pk


def test_a_back_dated_transfer_does_not_undo_a_later_one(works, act, received):
    lot = received(1000)
    transfer_lot(lot=lot, place=works.places["fine-safe"], act=act(4))
    transfer_lot(lot=lot, place=works.places["melt-bench"], act=act(2))
    lot.refresh_from_db()
    assert lot.place == works.places["fine-safe"]


def test_reversal_brings_the_lot_back(works, act, received, comes_back):
    lot = received(1000)
    with comes_back():
        transfer_lot(lot=lot, place=works.places["melt-bench"], act=act(2))


def test_a_transfer_to_where_it_stands_is_refused(works, act, received, refused):
    lot = received(1000)
    with refused("already_there", "place"):
        transfer_lot(lot=lot, place=works.places["feed-shelf"], act=act(1))


def test_a_place_no_longer_in_use_is_refused(works, act, received, refused):
    lot = received(1000)
    place = works.places["melt-bench"]
    type(place).objects.filter(pk=place.pk).update(is_active=False)
    with refused("place_not_in_use", "place"):
        transfer_lot(lot=lot, place=place, act=act(1))


def test_a_moment_before_the_lot_came_is_refused(works, act, received, refused):
    lot = received(1000, hours=2)
    with refused("lot_not_there_yet", "occurred_at"):
        transfer_lot(lot=lot, place=works.places["melt-bench"], act=act(1))


def test_a_lot_in_process_is_refused(works, act, received, refused):
    lot = received(1000)
    Lot.objects.filter(pk=lot.pk).update(state=Lot.State.IN_PROCESS)
    with refused("lot_not_available", "lot"):
        transfer_lot(lot=lot, place=works.places["melt-bench"], act=act(1))
