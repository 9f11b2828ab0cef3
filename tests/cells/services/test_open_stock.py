"""What is on the shelves when the ledger begins."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from cells.models import SlimesBag
from cells.services.open_stock import Stock, open_stock
from lots.ledger import accounts
from lots.ledger.holdings import holding
from lots.ledger.reversal import reverse_movement
from lots.models import Entry, Lot, Movement, Place
from lots.units import UG_PER_G
from tests.cells.conftest import cannot_be

KG = 1000 * UG_PER_G
GRANULES = Stock("granules", KG)


def test_what_is_on_a_shelf_comes_on_the_books_without_a_supplier(bench):
    lot = open_stock(stock=replace(GRANULES, fineness={"Ag": Decimal(925)}), act=bench.act())
    assert holding(lot).metals == {"Ag": 925 * UG_PER_G}
    assert (lot.owner, lot.place, lot.received_from) == (
        bench.works.house,
        bench.works.places["feed-shelf"],
        None,
    )
    movement = Movement.objects.get()
    assert (movement.kind, movement.counterparty) == ("opening", None)
    entry = Entry.objects.get(account__code=accounts.OPENING)
    assert entry.mass_ug == -925 * UG_PER_G
    reverse_movement(movement=movement, reason="counted twice", act=bench.act(1))
    assert holding(lot).metals == {}


def test_a_word_alone_is_never_sure(bench):
    lot = open_stock(stock=GRANULES, act=bench.act())
    entry = Entry.objects.get(lot=lot)
    assert (entry.mass_ug, entry.standard_uncertainty_ug) == (900 * UG_PER_G, 50 * UG_PER_G)
    assert lot.content == Lot.Content.DECLARED
    sweeps = open_stock(stock=replace(GRANULES, form="feed"), act=bench.act())
    assert (holding(sweeps).metals, holding(sweeps).mass_ug) == ({}, KG)


def test_an_old_bag_waits_for_its_recovery(bench):
    lot = open_stock(
        stock=replace(GRANULES, form="slimes_bag", description="1998"), act=bench.act()
    )
    assert SlimesBag.objects.get().lot == lot
    assert lot.place == bench.works.places["slimes-cabinet"]


def test_what_stands_nowhere_known_gets_a_place(bench):
    Place.objects.filter(area="feed_store").update(is_active=False)
    lot = open_stock(stock=GRANULES, act=bench.act())
    assert (lot.place.name, lot.place.area) == ("Feed shelf", "feed_store")


@pytest.mark.parametrize(
    ("changes", "code", "field"),
    [
        ({"form": "electrolyte"}, "quantity_needed", "volume"),
        ({"form": "wool"}, "form_not_opened", "form"),
        ({"mass_ug": 0}, "quantity_needed", "mass"),
        ({"mass_ug": -1}, "not_positive", "mass"),
        ({"fineness": {"Ag": Decimal(1001)}}, "fineness_out_of_range", "fineness.Ag"),
        ({"description": "x" * 201}, "too_long", "description"),
    ],
)
def test_stock_that_cannot_be_is_refused(bench, changes, code, field):
    cannot_be(code, field, open_stock, stock=replace(GRANULES, **changes), act=bench.act())
