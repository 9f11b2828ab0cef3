"""The harvest: refused too early, flagged above the book, quarantined after a torn bag."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest

from cells.models import CellRun, HarvestBalance, SlimesBag
from cells.services.close_run import close_run
from cells.services.harvest import Crystal, harvest_run
from cells.services.readings import Instruments
from cells.services.remnant import take_remnant
from cells.services.slimes_bag import BagTaken, bag_slimes
from cells.services.start_run import start_run
from cells.services.stop_run import stop_run
from cells.services.top_up import Addition, top_up_electrolyte
from config.refusals import ConflictError, InvalidError, RefusalError
from lots.ledger import accounts
from lots.ledger.holdings import holding
from lots.ledger.reversal import reverse_movement
from lots.models import Entry, Excess, Lot, Movement, Weighing


def bagged(bench, **more: object):
    run = bench.stopped()
    bag = BagTaken(bench.works.places["slimes-cabinet"], **more)  # type: ignore[arg-type]
    bag_slimes(run=run, bag=bag, act=bench.act(13))
    run.refresh_from_db()
    return run


def refusal_of(run: CellRun, crystal: Crystal, act) -> RefusalError:
    with pytest.raises(RefusalError) as caught:
        harvest_run(run=run, crystal=crystal, act=act)
    return caught.value


def test_the_harvest_keeps_what_was_tested_and_weighed(bench):
    run = bagged(bench)
    harvest = harvest_run(run=run, crystal=bench.crystal("1400"), act=bench.act(14))
    assert (harvest.rinse_count, harvest.chloride_clear, harvest.dry) == (6, True, True)
    assert harvest.weighing.net_ug == 1_400_000_000
    assert harvest.weighing.purpose == Weighing.Purpose.HARVEST
    assert (harvest.tests_waived, harvest.torn) == ("", False)
    assert harvest.lot.content == Lot.Content.DECLARED
    silver = HarvestBalance.objects.get(harvest=harvest, metal="Ag")
    assert silver.from_solution_ug == 1_398_600_000
    # 2 % of the charge's 1 387.5 g of silver stays in the bag.
    assert silver.dissolved_ug == 1_387_500_000 - 27_750_000
    assert (silver.fallen_ug, silver.excess_ug) == (0, 0)
    # No row for a metal that neither the charge gave nor the crystal holds.
    assert set(harvest.balances.values_list("metal", flat=True)) == {"Ag", "Cu", "Pd"}


def test_refused_while_the_run_has_not_stopped(bench, unchanged):
    run = start_run(run=bench.charged(), act=bench.act(2))
    before = unchanged()
    refusal = refusal_of(run, bench.crystal(), bench.act(3))
    assert (refusal.code, refusal.field) == ("run_not_stopped", "run")
    assert unchanged() == before


def test_refused_from_a_run_that_never_ran(bench, unchanged):
    run = bench.charged()
    before = unchanged()
    refusal = refusal_of(run, bench.crystal(), bench.act(3))
    assert (refusal.code, refusal.field) == ("run_never_ran", "run")
    assert unchanged() == before
    start_run(run=run, act=bench.act(2))
    stop_run(run=run, act=bench.act(3))
    before = unchanged()
    refusal = refusal_of(run, bench.crystal(), bench.act(4))
    assert (refusal.code, refusal.field) == ("run_never_ran", "run")
    with pytest.raises(ConflictError) as caught:
        bag_slimes(run=run, bag=BagTaken(bench.works.places["wet-bench"]), act=bench.act(4))
    assert (caught.value.code, caught.value.field) == ("run_never_ran", "run")
    assert unchanged() == before
    # No charge has passed, so the charge can still be put back.
    reverse_movement(movement=run.run_movements.get().movement, reason="no power", act=bench.act(5))
    run.refresh_from_db()
    assert run.state == CellRun.State.WITHDRAWN


def test_refused_before_the_slimes_are_bagged(bench, unchanged):
    run = bench.stopped()
    before = unchanged()
    refusal = refusal_of(run, bench.crystal(), bench.act(13))
    assert (refusal.code, refusal.field) == ("slimes_not_bagged", "run")
    assert unchanged() == before


def test_refused_twice(bench, unchanged):
    run = bagged(bench)
    harvest_run(run=run, crystal=bench.crystal(), act=bench.act(14))
    before = unchanged()
    refusal = refusal_of(run, bench.crystal(), bench.act(15))
    assert (refusal.code, refusal.field) == ("run_not_stopped", "run")
    assert unchanged() == before


def test_refused_without_its_tests_unless_someone_says_why(bench, unchanged):
    run = bagged(bench)
    before = unchanged()
    for changes, field in (
        ({"chloride_clear": False}, "chloride_clear"),
        ({"dry": False}, "dry"),
        ({"rinse_count": 0}, "rinse_count"),
    ):
        refusal = refusal_of(run, replace(bench.crystal(), **changes), bench.act(14))
        assert isinstance(refusal, InvalidError)
        assert (refusal.code, refusal.field) == ("test_not_passed", field)
    refusal = refusal_of(run, bench.crystal(rinse_count=-1, waiver="x"), bench.act(14))
    assert (refusal.code, refusal.field) == ("not_positive", "rinse_count")
    refusal = refusal_of(run, bench.crystal(waiver="x" * 201), bench.act(14))
    assert (refusal.code, refusal.field) == ("too_long", "waiver")
    refusal = refusal_of(run, bench.crystal(declared=None), bench.act(14))
    assert (refusal.code, refusal.field) == ("one_content_needed", "output")
    refusal = refusal_of(run, bench.crystal(), bench.act(12.5))
    assert (refusal.code, refusal.field) == ("out_of_order", "occurred_at")
    assert unchanged() == before
    harvest = harvest_run(
        run=run, crystal=bench.crystal(dry=False, waiver="melted at once"), act=bench.act(14)
    )
    harvest.refresh_from_db()
    assert harvest.tests_waived == "melted at once"


def test_a_harvest_above_the_book_is_kept_and_marked(bench):
    """A measurement is a fact and the book an opinion."""
    run = bagged(bench)
    bath = run.electrolyte.lot
    pool_ug = holding(bath).metals["Ag"] + holding(run.charge_lot).metals["Ag"]
    assay = bench.assay(Ag="999.5", Au="0.01", u="0.05")
    harvest = harvest_run(
        run=run, crystal=bench.crystal("2400", assay=assay, declared=None), act=bench.act(14)
    )
    assert harvest.lot.content == Lot.Content.ASSAYED
    silver = Entry.objects.get(movement=harvest.movement, lot=harvest.lot, metal="Ag")
    # 2400 g sure to 0.1 g, 999.5 sure to 0.05: QUAM's product rule (JCGM 100:2008, 5.1.6).
    assert silver.standard_uncertainty_ug == pytest.approx(np.hypot(99_950, 120_000), abs=1)
    crystal_ug = 2_398_800_000
    assert holding(harvest.lot).metals == {"Ag": crystal_ug, "Au": 24_000}
    assert "Ag" not in holding(bath).metals
    excess = Excess.objects.get(movement=harvest.movement, metal="Ag")
    assert excess.excess_ug == crystal_ug - pool_ug
    assert excess.account.code == accounts.CELL_DIFFERENCE
    # The limit of error is at least that of the weighing and assay of the crystal.
    assert excess.limit_of_error_ug is not None
    assert excess.limit_of_error_ug > 1.96 * 2400e6 * 0.05e-3
    drawn = Entry.objects.get(movement=harvest.movement, account__isnull=False, metal="Ag")
    assert drawn.mass_ug == -(crystal_ug - pool_ug)
    # The bag took all the gold by the book, so the crystal's own is above it.
    assert Excess.objects.get(movement=harvest.movement, metal="Au").excess_ug == 24_000


def test_a_torn_bag_gives_its_slimes_to_the_crystal(bench):
    run = bagged(bench, torn=True, kept_share=Decimal("0.25"))
    assert run.bag_torn
    bag = SlimesBag.objects.get(run=run)
    assert holding(bag.lot).metals == {
        "Ag": 6_937_500,
        "Cu": 262_500,
        "Au": 750_000,
        "Pd": 187_500,
    }
    harvest = harvest_run(run=run, crystal=bench.crystal("1400"), act=bench.act(14))
    crystal = harvest.lot
    assert harvest.torn
    assert crystal.state == Lot.State.QUARANTINED
    assert run.code in crystal.state_reason
    # Silver was declared; gold, palladium and copper of the slimes are there by difference.
    assert holding(crystal).metals == {
        "Ag": 1_398_600_000,
        "Au": 2_250_000,
        "Pd": 562_500,
        "Cu": 787_500,
    }
    assert holding(run.charge_lot).is_empty
    fallen = HarvestBalance.objects.get(harvest=harvest, metal="Ag").fallen_ug
    assert fallen == 27_750_000 - 6_937_500


def test_a_bag_put_back_counts_for_nothing(bench):
    run = bagged(bench, torn=True)
    wrong = run.run_movements.latest("id").movement
    reverse_movement(movement=wrong, reason="another run's", act=bench.act(13))
    run.refresh_from_db()
    assert not run.bag_torn
    refusal = refusal_of(run, bench.crystal(), bench.act(14))
    assert refusal.code == "slimes_not_bagged"
    place = bench.works.places["slimes-cabinet"]
    take_remnant(run=run, weight=bench.weight("150"), place=place, act=bench.act(12.5))
    bag_slimes(run=run, bag=BagTaken(place, torn=True), act=bench.act(13))
    harvest = harvest_run(run=run, crystal=bench.crystal("1300"), act=bench.act(14))
    silver = HarvestBalance.objects.get(harvest=harvest, metal="Ag")
    # 2 % of nine tenths of the charge, once.
    assert silver.fallen_ug == 24_975_000


def test_each_run_has_steps_of_its_own(bench):
    first = bagged(bench, torn=True)
    south = bench.new_cell("south", "south-cell")
    second = bench.stopped(bench.charged(cell=south))
    assert refusal_of(second, bench.crystal(), bench.act(14)).code == "slimes_not_bagged"
    place = bench.works.places["slimes-cabinet"]
    take_remnant(run=second, weight=bench.weight("150"), place=place, act=bench.act(12.5))
    bag_slimes(run=second, bag=BagTaken(place), act=bench.act(13))
    harvest = harvest_run(run=second, crystal=bench.crystal("1300"), act=bench.act(14))
    assert not any(each.fallen_ug for each in HarvestBalance.objects.filter(harvest=harvest))
    # Neither the second run's steps nor silver poured in rest on the first's bag.
    bagging = first.run_movements.latest("id").movement
    silver = Addition(supplies_ug={"Ag": 1_000_000})
    top_up_electrolyte(batch=first.electrolyte, addition=silver, act=bench.act(14))
    reverse_movement(movement=bagging, reason="weighed wrongly", act=bench.act(15))
    assert SlimesBag.objects.get(run=first).state == SlimesBag.State.WITHDRAWN


def test_a_run_read_only_at_both_ends_has_run(bench):
    """Forty hours without a reading are a gap; its charge is bridged."""
    run = start_run(run=bench.charged(), act=bench.act(2), first=Instruments(Decimal(10)))
    run = stop_run(run=run, act=bench.act(42), last=Instruments(Decimal(10)))
    assert (run.coulomb_count.ampere_hours, run.coulomb_count.gaps_ah) == (0, 400)
    charge = run.run_movements.get().movement
    with pytest.raises(ConflictError) as caught:
        reverse_movement(movement=charge, reason="x", act=bench.act(43))
    assert caught.value.code == "run_has_run"
    bag = BagTaken(bench.works.places["slimes-cabinet"])
    bag_slimes(run=run, bag=bag, act=bench.act(43))
    harvest = harvest_run(run=run, crystal=bench.crystal("1400"), act=bench.act(44))
    assert harvest.expected_silver_ug == pytest.approx(400 * 4_024_713, rel=1e-6)


def test_a_torn_bag_keeps_nothing_unless_said(bench):
    run = bagged(bench, torn=True)
    bag = SlimesBag.objects.get(run=run)
    assert holding(bag.lot).is_empty
    harvest = harvest_run(run=run, crystal=bench.crystal("1400"), act=bench.act(14))
    assert holding(harvest.lot).metals["Au"] == 3_000_000


def test_gold_that_a_torn_bag_lost_and_no_assay_found_is_the_runs_difference(bench):
    run = bagged(bench, torn=True)
    assay = bench.assay(Ag="997", Au="1.5")
    harvest = harvest_run(
        run=run, crystal=bench.crystal("1400", assay=assay, declared=None), act=bench.act(14)
    )
    assert holding(harvest.lot).metals["Au"] == 2_100_000
    assert holding(run.charge_lot).metals == {"Au": 900_000}
    run = close_run(run=run, act=bench.act(15))
    assert holding(run.charge_lot).is_empty
    gold = Entry.objects.get(movement=run.closing_movement, account__isnull=False, metal="Au")
    assert gold.mass_ug == 900_000


def test_refused_shares_of_a_bag(bench, unchanged):
    run = bench.stopped()
    place = bench.works.places["slimes-cabinet"]
    before = unchanged()
    for bag, code in (
        (BagTaken(place, kept_share=Decimal("0.5")), "not_torn"),
        (BagTaken(place, torn=True, kept_share=Decimal("1.5")), "not_a_fraction"),
        (BagTaken(place, torn=True, kept_share=Decimal("NaN")), "not_a_fraction"),
        (BagTaken(place, torn=True, kept_share=Decimal("0.12345")), "not_a_fraction"),
    ):
        with pytest.raises(InvalidError) as caught:
            bag_slimes(run=run, bag=bag, act=bench.act(13))
        assert (caught.value.code, caught.value.field) == (code, "kept_share")
    assert unchanged() == before


def test_refused_remnant_and_bag_out_of_turn(bench, unchanged):
    charged = bench.charged()
    place = bench.works.places["feed-shelf"]
    before = unchanged()
    with pytest.raises(ConflictError) as caught:
        take_remnant(run=charged, weight=bench.weight("10"), place=place, act=bench.act(2))
    assert (caught.value.code, caught.value.field) == ("run_not_stopped", "run")
    with pytest.raises(ConflictError) as caught:
        bag_slimes(run=charged, bag=BagTaken(place), act=bench.act(2))
    assert (caught.value.code, caught.value.field) == ("run_not_stopped", "run")
    assert unchanged() == before
    run = bench.stopped(charged)
    before = unchanged()
    with pytest.raises(ConflictError) as caught:
        take_remnant(run=run, weight=bench.weight("1500.1"), place=place, act=bench.act(13))
    assert (caught.value.code, caught.value.field) == ("more_than_there_is", "weight.gross")
    assert unchanged() == before
    bag_slimes(run=run, bag=BagTaken(place), act=bench.act(13))
    before = unchanged()
    for step in (
        lambda: take_remnant(run=run, weight=bench.weight("1"), place=place, act=bench.act(14)),
        lambda: bag_slimes(run=run, bag=BagTaken(place), act=bench.act(14)),
    ):
        with pytest.raises(ConflictError) as caught:
            step()
        assert (caught.value.code, caught.value.field) == ("bag_already_taken", "run")
    assert unchanged() == before


def test_steps_are_reversed_last_first(bench, unchanged):
    run = bench.stopped()
    place = bench.works.places["feed-shelf"]
    take_remnant(run=run, weight=bench.weight("150"), place=place, act=bench.act(12.5))
    bag = bag_slimes(run=run, bag=BagTaken(place), act=bench.act(13))
    harvest = harvest_run(run=run, crystal=bench.crystal(), act=bench.act(14))
    charge, remnant, slimes, harvested = (
        each.movement for each in run.run_movements.order_by("id")
    )
    before = unchanged()
    for movement in (remnant, slimes, charge):
        with pytest.raises(ConflictError) as caught:
            reverse_movement(movement=movement, reason="wrong", act=bench.act(15))
        assert (caught.value.code, caught.value.field) == ("later_steps_stand", "movement")
        assert str(harvested.sequence) in caught.value.remedy
    assert unchanged() == before

    reverse_movement(movement=harvested, reason="wrong weight", act=bench.act(15))
    run.refresh_from_db()
    assert (run.state, run.harvested_at) == (CellRun.State.STOPPED, None)
    assert holding(harvest.lot).is_empty
    reverse_movement(movement=slimes, reason="wrong", act=bench.act(15))
    bag.refresh_from_db()
    assert bag.state == SlimesBag.State.WITHDRAWN
    reverse_movement(movement=remnant, reason="wrong", act=bench.act(15))
    assert holding(run.charge_lot).metals["Ag"] == 1_387_500_000
    # And the steps can be taken again.
    bag_slimes(run=run, bag=BagTaken(place), act=bench.act(13))
    again = harvest_run(run=run, crystal=bench.crystal("1450"), act=bench.act(14))
    assert holding(again.lot).metals["Ag"] == 1_448_550_000
    assert Movement.objects.filter(kind="reversal").count() == 3
    run = close_run(run=run, act=bench.act(15))
    assert run.state == CellRun.State.CLOSED
