"""An electrolyte that is there already comes on the books by its recipe."""

from __future__ import annotations

from dataclasses import replace

import pytest

from cells.services.open_recipe import Recipe, open_recipe
from lots.ledger.holdings import holding
from lots.models import Entry
from lots.units import UG_PER_G
from tests.cells.conftest import cannot_be

KG = 1000 * UG_PER_G


@pytest.fixture
def jug(bench) -> Recipe:
    """480 g of silver made up to 3 L, in the North cell (invented)."""
    return Recipe(480 * UG_PER_G, 3_000_000, cell=bench.cell)


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
    cannot_be(code, field, open_recipe, recipe=replace(jug, **changes), act=bench.act())
