"""Closing a run: the electrolyte keeps what was measured, and what is supposed."""

from __future__ import annotations

import pytest

from cells.models import CellRun, ElectrolyteReading
from cells.queries.run_estimate import run_now
from cells.queries.run_facts import run_known
from cells.services.charge import Charge, charge_run
from cells.services.close_run import close_run
from cells.services.electrolytes import ElectrolyteMeasurement
from cells.services.harvest import harvest_run
from cells.services.slimes_bag import BagTaken, bag_slimes
from cells.services.start_run import start_run
from config.refusals import ConflictError, InvalidError
from lots.ledger import accounts
from lots.ledger.holdings import AsOf, holding
from lots.ledger.reversal import reverse_movement
from lots.measurements.outputs import Volume
from lots.models import Entry
from lots.services.taking import Take
from lots.services.write_off import write_off


@pytest.fixture
def harvested(bench):
    run = bench.stopped()
    bag_slimes(run=run, bag=BagTaken(bench.works.places["slimes-cabinet"]), act=bench.act(13))
    harvest_run(run=run, crystal=bench.crystal("1500"), act=bench.act(14))
    run.refresh_from_db()
    return run


def to_difference(run: CellRun) -> dict[str, int]:
    rows = Entry.objects.filter(
        movement=run.closing_movement, account__code=accounts.CELL_DIFFERENCE
    ).values_list("metal", "mass_ug")
    return dict(rows)


def test_what_nobody_assayed_stays_in_the_bath_and_nothing_is_posted_as_lost(bench, harvested):
    bath = harvested.electrolyte.lot
    before = holding(bath).metals
    assert before["Ag"] == 720_000_000 + 1_359_750_000 - 1_498_500_000
    run = close_run(run=harvested, act=bench.act(15))
    assert holding(bath).metals == before
    assert to_difference(run) == {}
    # What is expected of the bath stands beside its book, wide as it is.
    (silver,) = (
        each for each in run_now(run, bench.act(16).moment).beside_book if each.metal == "Ag"
    )
    assert silver.book_g == pytest.approx(before["Ag"] / 1e6)
    assert silver.expected_g.low < silver.expected_g.high
    kept, u, book_g = run.estimated["bath"]["Ag"]
    assert (kept, book_g) == (pytest.approx(silver.expected_g.value), pytest.approx(silver.book_g))
    assert u > 1.0


def test_the_next_run_begins_with_what_was_left_unmeasured(bench, harvested):
    run = close_run(run=harvested, act=bench.act(15))
    left_g, u_g, book_g = run.estimated["bath"]["Cu"]
    again = bench.charged(
        hours=16, electrolyte=run.electrolyte, takes=[Take(bench.granules(hours=15))]
    )
    again = start_run(run=again, act=bench.act(17))
    litres = 12.0
    copper = run_known(again, bench.act(18).moment).facts.bath.per_l["Cu"]
    assert (copper.value, copper.u) == (
        pytest.approx(left_g / litres, rel=0.01),
        pytest.approx(u_g / litres, rel=0.01),
    )
    # The crystal by metered charge teaches the cell's next run.
    (plated,) = (
        each.found
        for each in run_known(again, bench.act(18).moment).facts.learned
        if each.of == "plated"
    )
    assert plated.u < 0.02
    # 1 498.5 g of silver from 400 Ah by the ammeter, which 4.0247 g/Ah would make 1 610 g.
    assert plated.value == pytest.approx(1498.5 / (400 * 4.0247), abs=0.02)
    assert book_g > 0


def test_a_measurement_rules(bench, harvested):
    bath = harvested.electrolyte.lot
    book = holding(bath).metals
    run = close_run(
        run=harvested,
        act=bench.act(15),
        measurement=ElectrolyteMeasurement(
            volume=Volume(11_800_000, 20_000),
            assay=bench.assay("g_per_l", Ag="30", Cu="28.5"),
        ),
    )
    after = holding(bath)
    assert after.metals == {"Ag": 354_000_000, "Cu": 336_300_000, "Pd": 750_000}
    assert after.volume_ul == 11_800_000
    assert to_difference(run) == {
        "Ag": book["Ag"] - 354_000_000,
        "Cu": book["Cu"] - 336_300_000,
    }
    reading = ElectrolyteReading.objects.get(movement=run.closing_movement)
    assert reading.batch == run.electrolyte
    run.electrolyte.refresh_from_db()
    assert run.electrolyte.use_number == 2


def test_silver_not_determined_stays(bench, harvested):
    bath = harvested.electrolyte.lot
    before = holding(bath).metals["Ag"]
    close_run(
        run=harvested,
        act=bench.act(15),
        measurement=ElectrolyteMeasurement(assay=bench.assay("g_per_l", Cu="28.5")),
    )
    assert holding(bath).metals["Ag"] == before
    assert holding(bath).metals["Cu"] == 342_000_000


def test_refused_before_the_harvest_and_twice(bench, harvested, unchanged):
    early = bench.charged(
        hours=16,
        cell=bench.new_cell("south", "south-cell"),
        electrolyte=bench.electrolyte(hours=15),
        takes=[Take(bench.granules(hours=15))],
    )
    before = unchanged()
    with pytest.raises(ConflictError) as caught:
        close_run(run=early, act=bench.act(17))
    assert (caught.value.code, caught.value.field) == ("run_not_harvested", "run")
    with pytest.raises(InvalidError) as invalid:
        close_run(run=harvested, act=bench.act(15), measurement=ElectrolyteMeasurement())
    assert (invalid.value.code, invalid.value.field) == ("nothing_measured", "measurement")
    with pytest.raises(InvalidError) as invalid:
        close_run(run=harvested, act=bench.act(13.5))
    assert (invalid.value.code, invalid.value.field) == ("out_of_order", "occurred_at")
    assert unchanged() == before
    close_run(run=harvested, act=bench.act(15))
    before = unchanged()
    with pytest.raises(ConflictError) as caught:
        close_run(run=harvested, act=bench.act(16))
    assert (caught.value.code, caught.value.field) == ("run_not_harvested", "run")
    assert unchanged() == before


def test_reversing_a_closing_opens_the_run_again(bench, harvested):
    bath = harvested.electrolyte.lot
    before = holding(bath)
    run = close_run(run=harvested, act=bench.act(15))
    reverse_movement(movement=run.closing_movement, reason="assay came", act=bench.act(16))
    run.refresh_from_db()
    assert (run.state, run.closed_at, run.closing_movement) == (
        CellRun.State.HARVESTED,
        None,
        None,
    )
    assert holding(bath) == before
    run.electrolyte.refresh_from_db()
    assert run.electrolyte.use_number == 1
    assert close_run(run=run, act=bench.act(17)).state == CellRun.State.CLOSED


def test_what_was_spilt_after_the_closing_is_no_part_of_its_book(bench, harvested):
    bath = harvested.electrolyte.lot
    act = bench.act(16)
    write_off(lot=bath, cause="spill", stage="cell", act=act, volume_ul=1_200_000)
    measurement = ElectrolyteMeasurement(
        volume=Volume(12_000_000, 20_000), assay=bench.assay("g_per_l", Ag="60")
    )
    close_run(run=harvested, act=bench.act(15), measurement=measurement)
    at_close = holding(bath, AsOf(bench.act(15).moment))
    assert (at_close.volume_ul, at_close.metals["Ag"]) == (12_000_000, 720_000_000)


def test_a_run_elsewhere_does_not_keep_a_closing_from_being_reversed(bench, harvested):
    run = close_run(run=harvested, act=bench.act(15))
    bench.charged(
        hours=17,
        cell=bench.new_cell("south", "south-cell"),
        electrolyte=bench.electrolyte(hours=15),
        takes=[Take(bench.granules(hours=15))],
    )
    reverse_movement(movement=run.closing_movement, reason="assay came", act=bench.act(18))
    run.refresh_from_db()
    assert run.state == CellRun.State.HARVESTED


def test_a_closing_stands_once_the_electrolyte_or_the_cell_goes_on(bench, harvested, unchanged):
    run = close_run(run=harvested, act=bench.act(15))
    fresh = bench.electrolyte(hours=15)
    lot = bench.granules(hours=15)
    for electrolyte in (run.electrolyte, fresh):
        later = charge_run(charge=Charge(bench.cell, electrolyte, [Take(lot)]), act=bench.act(16))
        before = unchanged()
        with pytest.raises(ConflictError) as caught:
            reverse_movement(movement=run.closing_movement, reason="x", act=bench.act(17))
        assert (caught.value.code, caught.value.field) == ("later_steps_stand", "movement")
        assert later.code in caught.value.remedy
        assert unchanged() == before
        reverse_movement(movement=later.run_movements.get().movement, reason="x", act=bench.act(17))
    reverse_movement(movement=run.closing_movement, reason="x", act=bench.act(18))
    run.refresh_from_db()
    assert run.state == CellRun.State.HARVESTED


def test_a_closing_does_not_stand_for_runs_that_are_done_or_elsewhere(bench, harvested):
    run = close_run(run=harvested, act=bench.act(15))
    fresh = bench.electrolyte(hours=15)
    again = bench.stopped(
        bench.charged(hours=16, electrolyte=fresh, takes=[Take(bench.granules(hours=15))]), hours=17
    )
    bag_slimes(run=again, bag=BagTaken(bench.works.places["slimes-cabinet"]), act=bench.act(28))
    harvest_run(run=again, crystal=bench.crystal("1400"), act=bench.act(29))
    close_run(run=again, act=bench.act(30))
    south = bench.new_cell("south", "south-cell")
    bench.charged(hours=31, cell=south, electrolyte=fresh, takes=[Take(bench.granules(hours=15))])
    reverse_movement(movement=run.closing_movement, reason="assay came", act=bench.act(32))
    run.refresh_from_db()
    assert run.state == CellRun.State.HARVESTED
