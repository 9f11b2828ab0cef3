"""Shipments and returns."""

from __future__ import annotations

import pytest

from lots.ledger import accounts
from lots.ledger.holdings import claims_of, holding
from lots.measurements.weighings import Weight
from lots.models import Entry, Lot, Weighing
from lots.services.opening import open_claim
from lots.services.shipping import return_to_customer, ship_lot

G = 1_000_000


@pytest.fixture
def fine(works, received):
    return received(500, owner=works.house, declared={"Ag": "999.5", "Cu": "0.2"})


def on_account(code):
    return dict(Entry.objects.filter(account__code=code).values_list("metal", "mass_ug"))


def test_a_shipment_takes_the_whole_lot_to_the_party(works, act, fine):
    weight = Weight(500_100_000, 0, works.balance)
    movement = ship_lot(lot=fine, to=works.pellow, act=act(1), weight=weight)
    fine.refresh_from_db()
    assert (movement.kind, movement.stage) == ("shipment", "shipping")
    assert movement.counterparty == works.pellow
    assert fine.state == Lot.State.SHIPPED
    assert holding(fine).is_empty
    assert on_account(accounts.SHIPPED) == {"Ag": 499_750_000, "Cu": 100_000}
    assert Weighing.objects.get(purpose="shipment").net_ug == 500_100_000
    assert claims_of(works.house) == {}


def test_a_customers_own_lot_goes_back(works, act, received):
    lot = received(1000)
    return_to_customer(lot=lot, customer=works.brackwater, act=act(1))
    lot.refresh_from_db()
    assert lot.state == Lot.State.RETURNED
    assert on_account(accounts.RETURNED) == {"Ag": 925 * G, "Cu": 75 * G}
    assert claims_of(works.brackwater) == {}


def test_fine_metal_goes_back_against_the_claim(works, act, fine):
    open_claim(owner=works.brackwater, metals={"Ag": 600 * G}, act=act(0))
    movement = return_to_customer(lot=fine, customer=works.brackwater, act=act(1))
    assert claims_of(works.brackwater) == {"Ag": 100_250_000}
    # The trace of copper is given along; no copper was owed.
    assert movement.claim_entries.filter(owner=works.brackwater, metal="Cu").count() == 0
    assert holding(fine).is_empty


def test_reversal_brings_the_lot_and_the_claim_back(works, act, fine, comes_back):
    open_claim(owner=works.brackwater, metals={"Ag": 600 * G}, act=act(0))
    with comes_back():
        return_to_customer(lot=fine, customer=works.brackwater, act=act(1))
    with comes_back():
        ship_lot(lot=fine, to=works.pellow, act=act(2))


def test_more_than_the_claim_is_not_returned(works, act, fine, refused):
    open_claim(owner=works.brackwater, metals={"Ag": 499 * G}, act=act(0))
    with refused("claim_overdrawn", "Ag"):
        return_to_customer(lot=fine, customer=works.brackwater, act=act(1))
    with refused("claim_overdrawn", "customer"):
        return_to_customer(lot=fine, customer=works.pellow, act=act(1))


def test_a_claim_can_be_returned_only_once(works, act, fine, received, refused):
    open_claim(owner=works.brackwater, metals={"Ag": 600 * G}, act=act(0))
    other = received(200, owner=works.house, declared={"Ag": "999"})
    return_to_customer(lot=fine, customer=works.brackwater, act=act(1))
    with refused("claim_overdrawn", "Ag"):
        return_to_customer(lot=other, customer=works.brackwater, act=act(2))
    # Also when it is said to have happened before the first return.
    with refused("claim_overdrawn", "Ag"):
        return_to_customer(lot=other, customer=works.brackwater, act=act(0.5))


def test_another_customers_lot_is_not_returned(works, act, received, refused):
    lot = received(1000)
    with refused("not_theirs", "customer"):
        return_to_customer(lot=lot, customer=works.pellow, act=act(1))


def test_the_house_is_neither_shipped_nor_returned_to(works, act, fine, refused):
    with refused("shipped_to_the_house", "to"):
        ship_lot(lot=fine, to=works.house, act=act(1))
    with refused("house_has_no_claim", "customer"):
        return_to_customer(lot=fine, customer=works.house, act=act(1))


def test_a_lot_is_shipped_only_once(works, act, fine, refused):
    ship_lot(lot=fine, to=works.pellow, act=act(1))
    with refused("lot_not_available", "lot"):
        ship_lot(lot=fine, to=works.pellow, act=act(2))


def test_a_shipment_before_the_lot_came_or_weighed_wrongly_is_refused(works, act, fine, refused):
    with refused("lot_is_empty", "lot"):
        ship_lot(lot=fine, to=works.pellow, act=act(-1))
    with refused("tare_above_gross", "weight.tare"):
        ship_lot(lot=fine, to=works.pellow, act=act(1), weight=Weight(5, 6, works.balance))
