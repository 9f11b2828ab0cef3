"""Make-up, bleed, re-use and the next charge, planned from what is on the books."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest

from cells.electrochemistry.estimated import Estimate
from cells.electrochemistry.make_up import Target
from cells.queries.feed_on_hand import feed_on_hand, feed_plan, limits_for
from cells.queries.make_up_plan import (
    bleed_plan,
    bleed_to_hold,
    make_up_plan,
    uses_until_limit,
    usual_copper,
)
from cells.services.electrolytes import ElectrolyteMeasurement
from cells.services.harvest import harvest_run
from cells.services.measure_electrolyte import measure_electrolyte
from cells.services.slimes_bag import BagTaken, bag_slimes
from config.refusals import ConflictError
from lots.services.taking import Take


def test_make_up_starts_from_the_book_and_the_acid_last_found(bench):
    batch = bench.electrolyte(silver="40", copper="20", litres="10")
    measure_electrolyte(
        batch=batch,
        measurement=ElectrolyteMeasurement(free_acid_g_per_l=Decimal("6.3013")),
        act=bench.act(1),
    )
    plan = make_up_plan(batch, Target(12.0, 60.0, 0.2), acid_percent=65.0, concentrated_share=0.5)
    # 720 g wanted, 400 g there.
    assert plan.chosen.silver_g == pytest.approx(320)
    assert plan.copper_g_per_l == pytest.approx(200 / 12)
    assert plan.chosen.acid_ml + plan.chosen.water_ml == pytest.approx(2000)
    # With the acid that was found less is needed than without.
    acid_free = make_up_plan(
        bench.electrolyte(silver="40", copper="20", litres="10"),
        Target(12.0, 60.0, 0.2),
        acid_percent=65.0,
        concentrated_share=0.5,
    )
    assert plan.chosen.acid_ml < acid_free.chosen.acid_ml


def test_bleed_and_uses_from_the_book(bench):
    batch = bench.electrolyte(silver="40", copper="45", litres="12")
    bleed = bleed_plan(batch, 3.0)
    assert (bleed.silver_g, bleed.copper_g) == (pytest.approx(120), pytest.approx(135))
    # 63.546 g of copper for every 2 x 107.8682 g of silver (CIAAW atomic weights).
    assert bleed.copper_for_silver_g == pytest.approx(120 / 3.39496, rel=1e-4)
    held = bleed_to_hold(batch, copper_per_use_g=90.0, hold_g_per_l=45.0)
    assert held.volume_l == pytest.approx(2.0)
    left = uses_until_limit(batch, bench.cell, Estimate(70.0, 10.0))
    # 60 g/L in 12 L leaves room for 180 g: two charges of 70 g.
    assert left.uses == 2


def test_the_usual_copper_comes_from_the_cells_own_runs(bench):
    with pytest.raises(ConflictError) as caught:
        usual_copper(bench.cell)
    assert (caught.value.code, caught.value.field) == ("no_run_yet", "cell")
    run = bench.stopped()
    bag_slimes(run=run, bag=BagTaken(bench.works.places["wet-bench"]), act=bench.act(13))
    harvest_run(run=run, crystal=bench.crystal(), act=bench.act(14))
    usual = usual_copper(bench.cell)
    assert usual.runs == 1
    # 105 g were charged, one per cent of it stays in the slimes.
    assert usual.grams.value == pytest.approx(103.95)


def test_the_next_charge_keeps_copper_within_the_limit(bench):
    bench.cell.basket_ug_max = 2_000_000_000
    bench.cell.save()
    batch = bench.electrolyte(silver="60", copper="50", litres="12")
    rich = bench.granules(bench.works.pellow, grams="1500", Ag="900", Cu="100")
    clean = bench.granules(grams="1800", Ag="990", Cu="5")
    at = bench.act(24).moment
    assert limits_for(bench.cell, batch, at).copper_ug_max == 120_000_000
    plan = feed_plan(bench.cell, batch, at)
    assert plan.state == "planned"
    assert {each.lot for each in plan.takes} == {rich.code, clean.code}
    assert 1_600_000_000 <= plan.mass_ug <= 2_000_000_000
    assert plan.content_ug["Cu"] <= 120_000_000
    due = {rich.code: dt.date(2026, 4, 16)}
    hurried = feed_plan(bench.cell, batch, at, due=due)
    assert hurried.state == "planned"
    pellow = bench.works.pellow.code
    assert hurried.owners_ug[pellow] >= plan.owners_ug.get(pellow, 0)


def test_what_hangs_in_another_cell_is_not_on_hand(bench, django_assert_num_queries):
    lot, other = bench.granules(), bench.granules()
    bench.charged(takes=[Take(lot, mass_ug=500_000_000)])
    south = bench.new_cell("south", "south-cell")
    at = bench.act(24).moment
    with django_assert_num_queries(4):
        assert [each.lot for each in feed_on_hand(at, cell=south)] == [other.code]
    assert {each.lot for each in feed_on_hand(at, cell=bench.cell)} == {lot.code, other.code}


def test_refused_plans(bench, unchanged):
    batch = bench.electrolyte()
    full = bench.electrolyte(copper="60")
    before = unchanged()
    with pytest.raises(ConflictError) as caught:
        feed_plan(bench.cell, batch, bench.act(24).moment)
    assert (caught.value.code, caught.value.field) == ("basket_unknown", "cell")
    assert unchanged() == before
    bench.cell.basket_ug_max = 2_000_000_000
    with pytest.raises(ConflictError) as caught:
        feed_plan(bench.cell, full, bench.act(24).moment)
    assert (caught.value.code, caught.value.field) == ("copper_above_limit", "electrolyte")
