"""A cell that is running already comes on the books as from when it was switched on."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from cells.models import Cell, CellRun
from cells.services.open_recipe import Recipe, open_recipe
from cells.services.open_run import Running, open_run
from lots.ledger.holdings import holding
from lots.ledger.ledger_checks import run_checks
from lots.models import Movement
from lots.units import UG_PER_G
from tests.cells.conftest import cannot_be

KG = 1000 * UG_PER_G


@pytest.fixture
def jug(bench) -> Recipe:
    """480 g of silver made up to 3 L, in the North cell (invented)."""
    return Recipe(480 * UG_PER_G, 3_000_000, cell=bench.cell)


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
        cannot_be(code, field, open_run, running=replace(running, **changes), act=act)
    assert not CellRun.objects.exists()
    open_run(running=running, act=bench.act(7))
    cannot_be("cell_busy", "cell", open_run, running=running, act=bench.act(8))
    assert Cell.objects.count() == 1
