"""Bags are recovered together; what was found teaches what the next bag is expected to hold."""

from __future__ import annotations

from decimal import Decimal

import pytest

from cells.models import Cell, RecoveryOutcome, SlimesBag
from cells.queries.slimes_queue import past_recoveries
from cells.services.close_run import close_run
from cells.services.harvest import harvest_run
from cells.services.slimes_bag import BagTaken, bag_slimes
from cells.services.slimes_recovery import finish_recovery, group_bags
from config.refusals import ConflictError, InvalidError
from lots.ledger import accounts
from lots.ledger.holdings import holding
from lots.ledger.reversal import reverse_movement
from lots.measurements.outputs import Output
from lots.models import Entry, Lot, ProcessBatch
from lots.services.process_batches import outputs_of, record_output
from lots.services.taking import Take
from lots.traces.lot_trace import trace_back


def bag(bench, cell: str, gold_ppt: str, **more: object) -> SlimesBag:
    """The bag of a run of 1 500 g with so much gold, in a cell of its own."""
    run = bench.charged(
        cell=bench.new_cell(cell, "north-cell"),
        electrolyte=bench.electrolyte(),
        takes=[Take(bench.granules(Ag="925", Cu="60", Au=gold_ppt, Pd="2"))],
    )
    return bag_slimes(
        run=bench.stopped(run),
        bag=BagTaken(bench.works.places["slimes-cabinet"], **more),  # type: ignore[arg-type]
        act=bench.act(13),
    )


def gold_output(bench, grams: str, **ppt: str) -> Output:
    return Output(
        form=Lot.Form.FINE_GOLD,
        place=bench.works.places["fine-safe"],
        weight=bench.weight(grams),
        assay=bench.assay(u="0.5", **ppt),
    )


def recovered(bench) -> tuple[ProcessBatch, list[SlimesBag]]:
    bags = [bag(bench, "east", "2"), bag(bench, "west", "4")]
    batch = group_bags(bags=bags, place=bench.works.places["wet-bench"], act=bench.act(20))
    record_output(batch=batch, output=gold_output(bench, "8.7", Au="995"), act=bench.act(30))
    batch = finish_recovery(batch=batch, act=bench.act(40))
    for each in bags:
        each.refresh_from_db()
    return batch, bags


def test_what_was_found_is_shared_out_and_the_rest_is_the_recoverys_difference(bench):
    batch, bags = recovered(bench)
    assert [each.state for each in bags] == [SlimesBag.State.RECOVERED] * 2
    assert all(holding(each.lot).is_empty for each in bags)
    assert batch.state == ProcessBatch.State.CLOSED
    # 3 g and 6 g of gold by the book; 8.6565 g found, shared one to two.
    gold = {each.bag_id: each for each in RecoveryOutcome.objects.filter(metal="Au")}
    assert [gold[each.pk].booked_ug for each in bags] == [3_000_000, 6_000_000]
    assert [gold[each.pk].recovered_ug for each in bags] == [2_885_500, 5_771_000]
    # u = sqrt((0.1 g x 0.995)^2 + (8.7 g x 0.0005)^2), a third and two thirds of it.
    # No platinum was expected and none was found.
    platinum = RecoveryOutcome.objects.filter(metal="Pt")
    assert [each.recovered_ug for each in platinum] == [0, 0]
    assert gold[bags[0].pk].recovered_u_ug == pytest.approx(99_595 / 3, abs=2)
    difference = Entry.objects.filter(
        movement=batch.closing_movement, account__code=accounts.RECOVERY_DIFFERENCE
    )
    assert difference.get(metal="Au").mass_ug == 9_000_000 - 8_656_500
    # All of the silver, copper and palladium that was expected is missing.
    assert difference.get(metal="Ag").mass_ug == 2 * 27_750_000
    assert difference.get(metal="Pd").mass_ug == 2 * 1_500_000


def test_the_next_bag_of_that_cell_expects_less(bench):
    _, bags = recovered(bench)
    harvest_run(run=bags[0].run, crystal=bench.crystal(), act=bench.act(45))
    close_run(run=bags[0].run, act=bench.act(46))
    assert {(each.metal, each.group) for each in past_recoveries()} >= {
        ("Au", "east"),
        ("Pd", "west"),
    }
    run = bench.charged(
        hours=50,
        takes=[Take(bench.granules(hours=49, Ag="925", Au="4", Pd="2"))],
        electrolyte=bench.electrolyte(hours=49),
        cell=Cell.objects.get(code="east"),
    )
    late = bag_slimes(
        run=bench.stopped(run, hours=51),
        bag=BagTaken(bench.works.places["slimes-cabinet"]),
        act=bench.act(62),
    )
    gold = late.estimates.get(metal="Au")
    assert gold.unfactored_ug == 6_000_000
    assert 5_700_000 < gold.mass_ug < 6_000_000
    # The book takes all the gold there was; palladium follows the estimate.
    assert gold.booked_ug == 6_000_000
    palladium = late.estimates.get(metal="Pd")
    assert palladium.booked_ug == palladium.mass_ug < palladium.unfactored_ug


def test_an_empty_torn_bag_goes_along_and_gives_over_the_book(bench):
    whole, torn = bag(bench, "east", "2"), bag(bench, "west", "4", torn=True)
    batch = group_bags(bags=[whole, torn], place=bench.works.places["wet-bench"], act=bench.act(20))
    record_output(batch=batch, output=gold_output(bench, "4", Au="1000"), act=bench.act(30))
    finish_recovery(batch=batch, act=bench.act(40))
    torn.lot.refresh_from_db()
    assert torn.lot.state == Lot.State.SPENT
    gold = {each.bag_id: each for each in RecoveryOutcome.objects.filter(metal="Au")}
    assert gold[whole.pk].recovered_ug == 4_000_000
    assert (gold[torn.pk].booked_ug, gold[torn.pk].recovered_ug) == (0, 0)


def test_an_output_wholly_above_the_book_counts_and_is_not_lost_from_the_trace(bench):
    taken = bag(bench, "east", "2")
    batch = group_bags(bags=[taken], place=bench.works.places["wet-bench"], act=bench.act(20))
    # No platinum by the book and no mass in the bag: it comes from the difference account alone.
    button = record_output(
        batch=batch, output=gold_output(bench, "0.4", Pt="990"), act=bench.act(30)
    )
    finish_recovery(batch=batch, act=bench.act(40))
    found = RecoveryOutcome.objects.get(bag=taken, metal="Pt")
    assert (found.booked_ug, found.recovered_ug) == (0, 396_000)
    assert found.recovered_u_ug > 0
    (share,) = trace_back(button).shares
    assert (share.lot, share.account, share.mass_ug) == (
        button,
        accounts.RECOVERY_DIFFERENCE,
        396_000,
    )
    (output,) = outputs_of(batch)
    with pytest.raises(ConflictError) as conflict:
        reverse_movement(movement=output, reason="Another batch's.", act=bench.act(41))
    assert conflict.value.code == "later_steps_stand"
    batch.refresh_from_db()
    reverse_movement(movement=batch.closing_movement, reason="Too early.", act=bench.act(41))
    reverse_movement(movement=output, reason="Another batch's.", act=bench.act(42))
    assert list(outputs_of(batch)) == []


def test_refused_groups(bench, unchanged):
    place = bench.works.places["wet-bench"]
    waiting, gone = bag(bench, "east", "2"), bag(bench, "west", "4")
    group_bags(bags=[gone], place=place, act=bench.act(20))
    empty = bag(bench, "south", "4", torn=True)
    before = unchanged()
    for bags, hours, code, field in (
        ([], 21, "nothing_taken", "bags"),
        ([waiting, waiting], 21, "taken_twice", "bags"),
        ([waiting, gone], 21, "bag_not_waiting", "bags.1"),
        ([waiting], 12, "out_of_order", "occurred_at"),
        ([empty], 21, "nothing_taken", "inputs"),
    ):
        with pytest.raises((InvalidError, ConflictError)) as caught:
            group_bags(bags=bags, place=place, act=bench.act(hours))
        assert (caught.value.code, caught.value.field) == (code, field)
    assert unchanged() == before


def test_refused_to_finish_nothing(bench, unchanged):
    place = bench.works.places["wet-bench"]
    batch = group_bags(bags=[bag(bench, "east", "2")], place=place, act=bench.act(20))
    before = unchanged()
    with pytest.raises(InvalidError) as invalid:
        finish_recovery(batch=batch, act=bench.act(21))
    assert (invalid.value.code, invalid.value.field) == ("nothing_recovered", "batch")
    other = ProcessBatch.objects.exclude(pk=batch.pk).first()
    assert other is None
    assert unchanged() == before
    record_output(batch=batch, output=gold_output(bench, "2", Au="995"), act=bench.act(30))
    finish_recovery(batch=batch, act=bench.act(40))
    before = unchanged()
    with pytest.raises(ConflictError) as caught:
        finish_recovery(batch=batch, act=bench.act(41))
    assert (caught.value.code, caught.value.field) == ("batch_closed", "batch")
    assert unchanged() == before


def test_reversing_step_by_step(bench, unchanged):
    batch, bags = recovered(bench)
    started = batch.vessel.standings.first().movement
    slimes = bags[0].run.run_movements.get(lot=bags[0].lot).movement
    before = unchanged()
    for movement in (started, slimes):
        with pytest.raises(ConflictError) as caught:
            reverse_movement(movement=movement, reason="x", act=bench.act(50))
        assert caught.value.code == "later_steps_stand"
    assert unchanged() == before

    reverse_movement(movement=batch.closing_movement, reason="more gold", act=bench.act(50))
    bags[0].refresh_from_db()
    assert bags[0].state == SlimesBag.State.IN_RECOVERY
    assert past_recoveries() == []
    record_output(batch=batch, output=gold_output(bench, "0.3", Au="990"), act=bench.act(51))
    batch = finish_recovery(batch=batch, act=bench.act(52))
    found = [each.recovered_ug for each in past_recoveries() if each.metal == "Au"]
    assert sum(found) == 8_656_500 + 297_000
    assert Decimal(found[0]) * 2 == found[1]


def test_a_recovery_begun_by_mistake_lets_its_bags_wait_again(bench):
    east = bag(bench, "east", "2")
    batch = group_bags(bags=[east], place=bench.works.places["wet-bench"], act=bench.act(20))
    started = batch.vessel.standings.first().movement
    reverse_movement(movement=started, reason="wrong bag", act=bench.act(21))
    east.refresh_from_db()
    assert (east.state, east.process_batch) == (SlimesBag.State.WAITING, None)
    assert holding(east.lot).metals["Au"] == 3_000_000
