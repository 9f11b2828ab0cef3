"""Rinse water comes after the harvest and before the closing, and is kept in full."""

from __future__ import annotations

from itertools import pairwise

import pytest

from cells.services.close_run import close_run
from cells.services.harvest import harvest_run
from cells.services.rinse_water import RinseWater, take_rinse_water
from cells.services.slimes_bag import BagTaken, bag_slimes
from config.refusals import ConflictError
from lots.ledger import accounts
from lots.ledger.holdings import holding
from lots.ledger.reversal import reverse_movement
from lots.measurements.outputs import Volume
from lots.models import Excess
from tests.refused import refused


@pytest.fixture
def harvested(bench):
    run = bench.stopped()
    bag_slimes(run=run, bag=BagTaken(bench.works.places["slimes-cabinet"]), act=bench.act(13))
    harvest_run(run=run, crystal=bench.crystal("1500"), act=bench.act(14))
    run.refresh_from_db()
    return run


def rinse(bench, silver: str = "1.5") -> RinseWater:
    """Six litres of it."""
    return RinseWater(
        volume=Volume(6_000_000, 20_000),
        place=bench.works.places["wet-bench"],
        assay=bench.assay("g_per_l", Ag=silver),
    )


def test_refused_before_the_harvest_and_after_the_closing(bench, harvested):
    with refused("out_of_order", "occurred_at"):
        take_rinse_water(run=harvested, water=rinse(bench), act=bench.act(13.5))
    close_run(run=harvested, act=bench.act(15))
    with refused("run_not_harvested", "run"):
        take_rinse_water(run=harvested, water=rinse(bench), act=bench.act(16))


def test_rinse_water_above_the_book_is_kept_and_marked(bench, harvested):
    bath_ug = holding(harvested.electrolyte.lot).metals["Ag"]
    water = take_rinse_water(run=harvested, water=rinse(bench, "120"), act=bench.act(15))
    assert holding(water).metals == {"Ag": 720_000_000}
    assert "Ag" not in holding(harvested.electrolyte.lot).metals
    excess = Excess.objects.get(movement=water.standings.get().movement)
    assert (excess.excess_ug, excess.account.code) == (
        720_000_000 - bath_ug,
        accounts.CELL_DIFFERENCE,
    )


def test_harvest_rinse_water_and_closing_are_reversed_last_first(bench, harvested):
    harvest = harvested.run_movements.latest("id").movement
    water = take_rinse_water(run=harvested, water=rinse(bench), act=bench.act(15))
    kept = water.run_movements.get().movement
    run = close_run(run=harvested, act=bench.act(16))
    steps = [run.closing_movement, kept, harvest]
    for later, earlier in pairwise(steps):
        with pytest.raises(ConflictError) as caught:
            reverse_movement(movement=earlier, reason="x", act=bench.act(17))
        assert caught.value.code == "later_steps_stand"
        assert caught.value.remedy == f"Reverse movement {later.sequence} first."
        reverse_movement(movement=later, reason="x", act=bench.act(17))
    reverse_movement(movement=harvest, reason="x", act=bench.act(17))
