"""Waiting bags, what each should hold, and what each waits for."""

from __future__ import annotations

import pytest

from cells.queries.slimes_queue import recovery_batches, slimes_queue
from cells.services.slimes_bag import BagTaken, bag_slimes
from cells.services.slimes_recovery import group_bags
from lots.ledger.holdings import holding
from lots.services.taking import Take


def bag(bench, cell: str, gold_ppt: str, hours: float = 13):
    run = bench.charged(
        cell=bench.new_cell(cell, "north-cell"),
        electrolyte=bench.electrolyte(),
        takes=[Take(bench.granules(Ag="925", Cu="60", Au=gold_ppt, Pd="2"))],
    )
    return bag_slimes(
        run=bench.stopped(run),
        bag=BagTaken(bench.works.places["slimes-cabinet"]),
        act=bench.act(hours),
    )


def test_bags_are_ranked_by_metal_at_stake_with_their_interval(bench):
    poor, rich = bag(bench, "east", "2"), bag(bench, "west", "10", hours=60)
    queue = slimes_queue(bench.act(24 * 10).moment)
    assert [each.bag for each in queue] == [rich, poor]
    assert [each.rank_by_age for each in queue] == [2, 1]
    assert [each.age_days for each in queue] == [8, 10]
    gold = queue[0].expected["Au"]
    assert gold.mass_ug == 15_000_000
    assert gold.low_ug < gold.mass_ug < gold.high_ug
    # Grams of precious metal: gold 15, palladium 1.5, silver 27.75; what is seldom found adds 0.04.
    assert queue[0].stake == pytest.approx(44.25, abs=0.05)
    assert queue[0].bag.lot.place.code == "slimes-cabinet"


def test_what_a_bag_waits_for(bench, settings):
    poor, rich = bag(bench, "east", "2"), bag(bench, "west", "10")
    on = bench.act(24 * 10).moment
    settings.CELL_RECOVERY_STAKE_MIN = 60
    together = slimes_queue(on)
    assert together[0].waits_for == f"its recovery, with {poor.lot.code}"
    settings.CELL_RECOVERY_STAKE_MIN = 100
    alone = slimes_queue(on)
    assert alone[0].waits_for.startswith("more bags to make a recovery worthwhile: 23.4 g more")
    assert [batch.worthwhile for batch in recovery_batches(on, stake_min=60)] == [True]
    batch = group_bags(bags=[rich], place=bench.works.places["wet-bench"], act=bench.act(20))
    queue = {each.bag.pk: each.waits_for for each in slimes_queue(on)}
    assert queue[rich.pk] == f"outputs of recovery {batch.code}"


def test_a_bag_whose_gold_nobody_stated_is_ranked_by_what_may_be_in_it(bench):
    run = bench.charged(
        cell=bench.new_cell("east", "north-cell"),
        electrolyte=bench.electrolyte(),
        takes=[Take(bench.granules(Ag="920"))],
    )
    place = bench.works.places["slimes-cabinet"]
    bag_slimes(run=bench.stopped(run), bag=BagTaken(place), act=bench.act(13))
    (found,) = slimes_queue(bench.act(24 * 10).moment)
    for metal in ("Au", "Pt", "Pd", "Rh"):
        expected = found.expected[metal]
        assert expected.mass_ug > 0, metal
        assert expected.high_ug > 1.5 * expected.mass_ug, metal
    # Expected, and not on the books.
    assert set(holding(found.bag.lot).metals) == {"Ag"}


def test_two_queries_for_any_queue(bench, django_assert_num_queries):
    on = bench.act(24 * 10).moment
    bag(bench, "east", "2")
    with django_assert_num_queries(2):
        slimes_queue(on)
    bag(bench, "west", "2")
    with django_assert_num_queries(2):
        assert len(slimes_queue(on)) == 2
