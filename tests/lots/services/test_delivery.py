"""Several lots leave under one delivery note; returns reduce what is owed."""

from __future__ import annotations

from decimal import Decimal

import pytest
from django.db import IntegrityError, connection, transaction

from lots.ledger.holdings import claims_of, holding
from lots.ledger.reversal import reverse_movement
from lots.local_law import LOCAL_LAW
from lots.measurements.assays import record_assay
from lots.measurements.weighings import Weight, record_weighing
from lots.models import DeliveryNote, Lot, Movement, Weighing
from lots.queries.delivery_note import delivery_document
from lots.services.bars_listing import Bar, list_bar
from lots.services.delivery import Delivered, deliver, take_back_delivery
from lots.services.opening import open_claim

G = 1_000_000
CARRIER = "Carrier's van, two seals (invented)"


@pytest.fixture
def fine(works, received):
    def make(grams=500, **given):
        return received(grams, owner=works.house, declared={"Ag": "999.5", "Cu": "0.2"}, **given)

    return make


def test_a_shipment_of_two_lots_is_one_note(works, act, fine):
    lots = [fine(500), fine(300)]
    weight = Weight(300_100_000, 0, works.balance)
    note = deliver(
        kind="shipment",
        party=works.pellow,
        items=[Delivered(lots[0]), Delivered(lots[1], weight)],
        carrier=CARRIER,
        act=act(1),
    )
    document = delivery_document(note)
    assert [each.lot for each in document.lots] == [lot.code for lot in lots]
    assert document.metals == {"Ag": 799_600_000, "Cu": 160_000}
    assert document.mass_ug == 800 * G
    assert (document.lots[0].weighed_ug, document.lots[1].weighed_ug) == (None, 300_100_000)
    assert document.local_law == LOCAL_LAW
    assert (document.code[:2], document.carrier) == ("DN", CARRIER)
    for lot in lots:
        lot.refresh_from_db()
        assert lot.state == Lot.State.SHIPPED
        assert holding(lot).is_empty
    assert set(Movement.objects.filter(kind="shipment").values_list("counterparty", flat=True)) == {
        works.pellow.pk
    }


def test_a_return_reduces_what_is_owed_lot_after_lot(works, act, fine, received):
    open_claim(owner=works.brackwater, metals={"Ag": 1000 * G}, act=act(0))
    own = received(100)
    lots = [fine(500), fine(300), own]
    note = deliver(
        kind="return",
        party=works.brackwater,
        items=[Delivered(lot) for lot in lots],
        act=act(1),
    )
    # 499.75 g and 299.85 g of the house's against the claim; their own was never in it.
    assert claims_of(works.brackwater) == {"Ag": 200_400_000}
    assert delivery_document(note).metals["Ag"] == 499_750_000 + 299_850_000 + 92_500_000
    assert {Lot.objects.get(pk=lot.pk).state for lot in lots} == {Lot.State.RETURNED}


def test_a_lot_taken_back_is_named_so_and_left_out_of_the_sum(works, act, fine):
    open_claim(owner=works.brackwater, metals={"Ag": 1000 * G}, act=act(0))
    lots = [fine(500), fine(300)]
    note = deliver(
        kind="return", party=works.brackwater, items=[Delivered(x) for x in lots], act=act(1)
    )
    movement = note.lines.get(lot=lots[0]).movement
    reverse_movement(movement=movement, reason="came back", act=act(2))
    document = delivery_document(note)
    assert [each.taken_back for each in document.lots] == [True, False]
    assert document.metals["Ag"] == 299_850_000
    assert claims_of(works.brackwater) == {"Ag": 700_150_000}


def test_a_listed_bar_is_named_by_its_mark(works, act, received, report):
    lot = received(1000, owner=works.house, form="bar", declared={"Au": "999.9"})
    assay = record_assay(lot=lot, report=report({"Au": "999.9"}, u="0.02"), act=act(0.5))
    weighing = record_weighing(
        lot=lot, weight=Weight(1000 * G, 0, works.balance), purpose="output", act=act(0.5)
    )
    bar = Bar("TQ 7", "Au", weighing, assay, small_bar="1 kg")
    list_bar(lot=lot, bar=bar, act=act(0.6))
    note = deliver(kind="shipment", party=works.pellow, items=[Delivered(lot)], act=act(1))
    (line,) = delivery_document(note).lots
    assert (line.bar.mark, line.bar.fine_ozt) == ("TQ 7", Decimal("32.148"))


def test_one_lot_that_cannot_go_keeps_all_of_them(works, act, fine, received, refused):
    open_claim(owner=works.brackwater, metals={"Ag": 600 * G}, act=act(0))
    lots = [fine(500), fine(300)]
    items = [Delivered(lot) for lot in lots]
    with refused("claim_overdrawn", "lots.1.Ag"):
        deliver(kind="return", party=works.brackwater, items=items, act=act(1))
    theirs = received(100, owner=works.pellow)
    with refused("not_theirs", "party"):
        deliver(kind="return", party=works.brackwater, items=[Delivered(theirs)], act=act(1))
    heavy = Delivered(lots[1], Weight(5, 6, works.balance))
    with refused("tare_above_gross", "lots.1.weight.tare"):
        deliver(kind="shipment", party=works.pellow, items=[items[0], heavy], act=act(1))
    deliver(kind="shipment", party=works.pellow, items=items[1:], act=act(1))
    with refused("lot_not_available", "lots.1"):
        deliver(kind="shipment", party=works.pellow, items=items, act=act(2))
    assert Weighing.objects.filter(purpose="shipment").count() == 0


def test_a_note_that_says_nothing_right_is_refused(works, act, fine, refused):
    lot = fine()
    items = [Delivered(lot)]
    with refused("unknown_choice", "kind"):
        deliver(kind="gift", party=works.pellow, items=items, act=act(1))
    with refused("nothing_taken", "lots"):
        deliver(kind="shipment", party=works.pellow, items=[], act=act(1))
    with refused("taken_twice", "lots.1"):
        deliver(kind="shipment", party=works.pellow, items=items * 2, act=act(1))
    with refused("too_many", "lots"):
        deliver(kind="shipment", party=works.pellow, items=items * 201, act=act(1))
    with refused("too_long", "carrier"):
        deliver(kind="shipment", party=works.pellow, items=items, carrier="x" * 201, act=act(1))
    with refused("shipped_to_the_house", "party"):
        deliver(kind="shipment", party=works.house, items=items, act=act(1))
    with refused("house_has_no_claim", "party"):
        deliver(kind="return", party=works.house, items=items, act=act(1))


def test_the_same_request_again_delivers_nothing_more(works, act, fine):
    items = [Delivered(fine())]
    first = deliver(kind="shipment", party=works.pellow, items=items, act=act(1, "key-1"))
    again = deliver(kind="shipment", party=works.pellow, items=items, act=act(1, "key-1"))
    assert first == again
    assert DeliveryNote.objects.count() == 1


def test_a_note_is_never_changed(works, act, fine):
    deliver(kind="shipment", party=works.pellow, items=[Delivered(fine())], act=act(1))
    with pytest.raises(IntegrityError, match="append-only"), transaction.atomic():
        DeliveryNote.objects.update(carrier="another")
    assert not connection.needs_rollback


def test_a_note_is_taken_back_whole_or_not_at_all(works, act, fine, refused):
    lots = [fine(500), fine(300)]
    items = [Delivered(lot) for lot in lots]
    note = deliver(kind="shipment", party=works.pellow, items=items, act=act(1))
    with refused("empty", "reason"):
        take_back_delivery(note=note, reason=" ", act=act(2))
    again = take_back_delivery(note=note, reason="refused at the door", act=act(2, "key-1"))
    assert again == take_back_delivery(note=note, reason="refused at the door", act=act(2, "key-1"))
    assert [each.taken_back for each in delivery_document(note).lots] == [True, True]
    assert {Lot.objects.get(pk=lot.pk).state for lot in lots} == {Lot.State.AVAILABLE}
    assert holding(lots[0]).mass_ug == 500 * G
    with refused("already_reversed", "note"):
        take_back_delivery(note=note, reason="twice", act=act(3))
