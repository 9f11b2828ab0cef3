"""A run's account balances to the microgram, and costs the same for one run as for many."""

from __future__ import annotations

from decimal import Decimal

import pytest

from cells.queries.electrolyte_books import electrolyte_book, electrolyte_books
from cells.queries.run_summary import run_summaries, run_summary
from cells.services.bleed import bleed_electrolyte
from cells.services.close_run import close_run
from cells.services.electrolytes import ElectrolyteMeasurement
from cells.services.harvest import harvest_run
from cells.services.remnant import take_remnant
from cells.services.rinse_water import RinseWater, take_rinse_water
from cells.services.slimes_bag import BagTaken, bag_slimes
from cells.services.top_up import Addition, top_up_electrolyte
from lots.ledger.holdings import AsOf
from lots.ledger.reversal import reverse_movement
from lots.measurements.assays import record_assay
from lots.measurements.outputs import Volume
from lots.measurements.rulings import rule_assay
from lots.services.taking import Take


@pytest.fixture
def closed(bench):
    return run_through(bench, bench.stopped())


def run_through(bench, run, measurement=None):
    place = bench.works.places["wet-bench"]
    take_remnant(run=run, weight=bench.weight("150"), place=place, act=bench.act(13))
    bag_slimes(run=run, bag=BagTaken(place), act=bench.act(14))
    harvest_run(run=run, crystal=bench.crystal("1500"), act=bench.act(15))
    take_rinse_water(
        run=run,
        water=RinseWater(Volume(6_000_000, 0), place, estimated={"Ag": 8_000_000}),
        act=bench.act(16),
    )
    return close_run(run=run, act=bench.act(17), measurement=measurement)


def assert_accounted_for(account) -> None:
    for metal in ("Ag", "Cu", "Pd", "Au"):
        came_in = sum(
            side.get(metal, 0)
            for side in (
                account.charged,
                account.electrolyte_in.metals,
                account.added,
                account.corrections,
            )
        )
        went_out = sum(
            side.get(metal, 0)
            for side in (
                account.remnant,
                account.slimes,
                account.crystal.metals,
                account.rinse,
                account.bled,
                account.electrolyte_out.metals,
            )
        )
        assert came_in - went_out == account.difference.get(metal, 0), metal


def test_what_went_in_is_what_came_out(closed):
    account = run_summary(closed)
    assert account.charged["Ag"] == 1_387_500_000
    assert account.remnant["Ag"] == 138_750_000
    assert account.rinse == {"Ag": 8_000_000}
    assert account.corrections == {}
    assert account.crystal is not None
    assert account.crystal.silver_weighed_ug == 1_498_500_000
    # Nobody assayed the bath: what did not plate stays in it.
    assert account.difference == {}
    assert_accounted_for(account)
    assert account.electrolyte_in.volume_ul == account.electrolyte_out.volume_ul == 12_000_000


def test_top_ups_bleeds_and_a_late_assay_are_accounted_for(bench):
    lot = bench.granules()
    run = bench.stopped(bench.charged(takes=[Take(lot)]))
    top_up_electrolyte(
        batch=run.electrolyte, addition=Addition(supplies_ug={"Ag": 7_000_000}), act=bench.act(8)
    )
    bleed_electrolyte(
        batch=run.electrolyte,
        volume=Volume(1_000_000, 0),
        place=bench.works.places["wet-bench"],
        assay=bench.assay("g_per_l", Ag="45", Cu="30"),
        act=bench.act(9),
    )
    assay = record_assay(
        lot=lot, report=bench.assay(Ag="931", Cu="66", Au="2", Pd="1"), act=bench.act(10)
    )
    rule_assay(assay=assay, reason="our own assay", act=bench.act(10))
    run = run_through(bench, run)
    account = run_summary(run)
    assert account.added == {"Ag": 7_000_000}
    assert account.bled == {"Ag": 45_000_000, "Cu": 30_000_000}
    # 1 500 g times (931 - 925) and (66 - 70) parts per thousand.
    assert account.corrections == {"Ag": 9_000_000, "Cu": -6_000_000}
    assert_accounted_for(account)


def test_silver_weighed_stands_beside_silver_by_faraday(closed):
    account = run_summary(closed)
    assert account.charge is not None
    assert account.crystal is not None
    assert account.charge.ampere_hours == Decimal(400)
    # 4.0247 g/Ah (CODATA Faraday constant, CIAAW atomic weight).
    assert account.crystal.silver_expected_ug == pytest.approx(400 * 4.02471e6, rel=1e-6)
    assert account.efficiency is not None
    assert account.efficiency.value == pytest.approx(1498.5 / 1609.884, rel=1e-4)
    # The ammeter's gain is known to one per cent.
    assert account.efficiency.u_value == pytest.approx(0.0093, abs=0.0005)


def test_the_difference_as_a_percentage_of_the_silver_charged(bench):
    run = bench.stopped(bench.charged(takes=[Take(bench.granules())]))
    measured = ElectrolyteMeasurement(assay=bench.assay("g_per_l", Ag="35"))
    account = run_summary(run_through(bench, run, measured))
    loss = account.difference["Ag"]
    assert account.difference_percent == round(Decimal(100) * loss / 1_387_500_000, 4)
    moved = account.run.closing_movement.entries.get(account__isnull=False, metal="Ag").mass_ug
    assert loss == moved


def test_a_run_not_harvested_has_no_efficiency_yet(bench):
    account = run_summary(bench.stopped())
    assert (account.crystal, account.efficiency, account.difference) == (None, None, {})
    assert account.charge is not None
    assert account.electrolyte_out == account.electrolyte_in


def test_as_of_a_moment_later_steps_are_not_seen(closed, bench):
    account = run_summary(closed, AsOf(bench.act(14).moment))
    assert account.slimes["Au"] > 0
    assert (account.crystal, account.rinse, account.difference) == (None, {}, {})


def test_a_reversed_closing_leaves_no_difference(closed, bench):
    reverse_movement(movement=closed.closing_movement, reason="x", act=bench.act(18))
    assert run_summary(closed).difference == {}


def test_many_runs_cost_what_one_costs(bench, closed, django_assert_num_queries):
    other = bench.charged(
        cell=bench.new_cell("south", "south-cell"), electrolyte=bench.electrolyte()
    )
    runs = [closed, bench.stopped(other)]
    with django_assert_num_queries(9):
        assert len(run_summaries(runs[:1])) == 1
    with django_assert_num_queries(9):
        assert [each.run.pk for each in run_summaries(runs)] == [each.pk for each in runs]


def test_an_electrolytes_book_and_uses(closed, bench, django_assert_num_queries):
    book = electrolyte_book(closed.electrolyte)
    assert book.g_per_l["Cu"] == round(Decimal(book.metals["Cu"]) / 12_000_000, 4)
    assert book.in_run is None
    assert [(use.use_number, use.run_code, use.state) for use in book.uses] == [
        (1, closed.code, "closed")
    ]
    assert book.batch.use_number == 2
    before = electrolyte_book(closed.electrolyte, AsOf(bench.act(2).moment))
    assert before.g_per_l == {"Ag": Decimal(60), "Cu": Decimal(20)}
    other = bench.electrolyte()
    with django_assert_num_queries(5):
        assert len(electrolyte_books([closed.electrolyte, other])) == 2
