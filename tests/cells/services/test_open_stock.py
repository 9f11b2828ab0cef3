"""What is on the shelves, in the jug and in the cell when the ledger begins."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from cells.models import Cell, CellRun, SlimesBag
from cells.services.open_recipe import Recipe, open_recipe
from cells.services.open_run import Running, open_run
from cells.services.open_stock import Stock, open_stock
from config.refusals import RefusalError
from lots.ledger import accounts
from lots.ledger.holdings import holding
from lots.ledger.ledger_checks import run_checks
from lots.ledger.reversal import reverse_movement
from lots.models import Entry, Lot, Movement, Place
from lots.units import UG_PER_G

KG = 1000 * UG_PER_G
GRANULES = Stock("granules", KG)


@pytest.fixture
def jug(bench) -> Recipe:
    """480 g of silver made up to 3 L, in the North cell (invented)."""
    return Recipe(480 * UG_PER_G, 3_000_000, cell=bench.cell)


def refused(code, field, service, **arguments):
    before = Movement.objects.count(), Lot.objects.count(), Place.objects.count()
    with pytest.raises(RefusalError) as caught:
        service(**arguments)
    assert (caught.value.code, caught.value.field) == (code, field)
    assert before == (Movement.objects.count(), Lot.objects.count(), Place.objects.count())


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
    refused(code, field, open_stock, stock=replace(GRANULES, **changes), act=bench.act())


def test_a_jug_is_known_by_its_recipe(bench, jug):
    batch = open_recipe(recipe=replace(jug, copper_ug=20 * UG_PER_G), act=bench.act())
    held = holding(batch.lot)
    assert held.metals == {"Ag": 480 * UG_PER_G, "Cu": 20 * UG_PER_G}
    assert (held.volume_ul, batch.cell, batch.lot.place) == (
        3_000_000,
        bench.cell,
        bench.cell.place,
    )
    silver = Entry.objects.get(lot=batch.lot, metal="Ag")
    assert silver.standard_uncertainty_ug == 4_800_000
    aside = open_recipe(recipe=replace(jug, cell=None), act=bench.act())
    assert aside.lot.place == bench.works.places["carboys"]


@pytest.mark.parametrize(
    ("changes", "code", "field"),
    [
        ({"silver_ug": 0}, "not_positive", "silver"),
        ({"silver_ug": 10**14}, "too_large", "silver"),
        ({"copper_ug": -1}, "not_positive", "copper"),
        ({"volume_ul": 0}, "not_positive", "volume"),
        ({"use_number": 0}, "not_positive", "use_number"),
        ({"description": "x" * 201}, "too_long", "description"),
    ],
)
def test_a_recipe_that_cannot_be_is_refused(bench, jug, changes, code, field):
    refused(code, field, open_recipe, recipe=replace(jug, **changes), act=bench.act())


@pytest.fixture
def running(bench) -> Running:
    return Running(
        bench.cell,
        "granules",
        KG,
        silver_ug=480 * UG_PER_G,
        volume_ul=3_000_000,
        current_a=Decimal("8.5"),
        current_now_a=Decimal("7.9"),
    )


def test_a_cell_that_runs_already_is_on_the_books_as_from_then(bench, running):
    act = bench.act(5, key="run-1")
    run = open_run(running=running, act=act)
    assert (run.state, run.charged_at, run.started_at) == (
        CellRun.State.RUNNING,
        act.occurred_at,
        act.occurred_at,
    )
    assert holding(run.charge_lot).metals == {"Ag": 900 * UG_PER_G}
    assert holding(run.electrolyte.lot).metals == {"Ag": 480 * UG_PER_G}
    assert list(run.readings.order_by("taken_at").values_list("current_a", flat=True)) == [
        Decimal("8.5"),
        Decimal("7.9"),
    ]
    assert open_run(running=running, act=act) == run
    assert Movement.objects.count() == 3
    assert [each.rows for each in run_checks() if each.found] == []


def test_its_electrolyte_may_be_on_the_books(bench, running, jug):
    batch = open_recipe(recipe=jug, act=bench.act(4))
    known = replace(running, electrolyte=batch, silver_ug=None, volume_ul=None)
    assert open_run(running=known, act=bench.act(5)).electrolyte == batch


def test_a_run_that_cannot_be_is_refused(bench, running, jug):
    late = open_recipe(recipe=jug, act=bench.act(6))
    for changes, code, field in (
        ({"silver_ug": None}, "recipe_needed", "silver"),
        ({"volume_ul": None}, "recipe_needed", "volume"),
        ({"electrolyte": late}, "electrolyte_later", "electrolyte"),
        ({"form": "slimes_bag"}, "form_not_charged", "charge.0"),
        ({"mass_ug": 0}, "quantity_needed", "mass"),
    ):
        act = bench.act(5)
        refused(code, field, open_run, running=replace(running, **changes), act=act)
    assert not CellRun.objects.exists()
    open_run(running=running, act=bench.act(7))
    refused("cell_busy", "cell", open_run, running=running, act=bench.act(8))
    assert Cell.objects.count() == 1
