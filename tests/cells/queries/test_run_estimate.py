"""How a run stands and what lies ahead of it, from what the bench recorded."""

from __future__ import annotations

from decimal import Decimal

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from cells.queries.run_estimate import run_now
from cells.services.electrolytes import ElectrolyteMeasurement
from cells.services.measure_electrolyte import measure_electrolyte
from cells.services.readings import Instruments, record_reading
from cells.services.remnant import take_remnant
from cells.services.start_run import start_run
from cells.services.stop_run import stop_run
from cells.services.top_up import Addition, top_up_electrolyte
from config.refusals import ConflictError
from lots.measurements.outputs import Volume
from lots.services.taking import Take


@pytest.fixture
def run(bench):
    """A run of silver and copper by word, 40 A from hour 2 on."""
    lot = bench.granules(grams="4000", Ag="900", Cu="100")
    run = bench.charged(takes=[Take(lot)])
    return start_run(run=run, act=bench.act(2), first=Instruments(Decimal(40)))


def read(bench, run, hours: float, amperes: str, **more: object) -> None:
    record_reading(
        run=run,
        instruments=Instruments(Decimal(amperes), **more),  # type: ignore[arg-type]
        act=bench.act(hours),
    )


def test_silver_falls_and_copper_rises_by_balance_of_charge(bench, run):
    read(bench, run, 7, "40")
    state = run_now(run, bench.act(12).moment).state
    assert state.charge_ah.value == pytest.approx(400, rel=0.03)
    # 4.0247 g/Ah (CODATA, CIAAW); a cell without a history plates 91 to 99.5 % of the charge.
    assert state.crystal_g.low < 0.95 * 400 * 4.02471 < state.crystal_g.high
    assert 240 < state.copper_g.low < state.copper_g.high < 240 + 400
    assert state.silver_g.high < 720
    assert 0.0 < state.slimes_g["Au"].low < state.slimes_g["Au"].high


def test_top_ups_and_assays_count(bench, run):
    read(bench, run, 7, "40")
    before = run_now(run, bench.act(12).moment).state
    top_up_electrolyte(
        batch=run.electrolyte,
        addition=Addition(volume=Volume(600_000, 0), supplies_ug={"Ag": 30_000_000}),
        act=bench.act(8),
    )
    topped = run_now(run, bench.act(12).moment).state
    assert topped.volume_l.value - before.volume_l.value == pytest.approx(0.6, abs=0.02)
    assert topped.silver_g.value - before.silver_g.value == pytest.approx(30, abs=2)
    expected = topped.silver_g_per_l
    measure_electrolyte(
        batch=run.electrolyte,
        measurement=ElectrolyteMeasurement(
            assay=bench.assay("g_per_l", u="0.3", Ag=f"{expected.value + expected.u:.3f}")
        ),
        act=bench.act(11),
    )
    corrected = run_now(run, bench.act(11).moment).state.silver_g_per_l
    assert corrected.value > expected.value + 0.5 * expected.u
    assert corrected.u < 1.0 < expected.u


def test_a_figure_read_at_the_cell_that_does_not_fit_is_named(bench, run):
    read(bench, run, 7, "40", silver_g_per_l=Decimal("0.5"))
    (doubt,) = run_now(run, bench.act(12).moment).found.doubts
    assert (doubt.name, doubt.found) == ("silver_g_per_l read at the cell", 0.5)
    assert doubt.should_be.low > 10


def test_a_remnant_says_what_dissolved(bench, run):
    read(bench, run, 7, "40")
    stop_run(run=run, act=bench.act(12), last=Instruments(Decimal(40)))
    before = run_now(run, bench.act(13).moment).state.anode_left_g
    grams = f"{before.value + 0.5 * before.u:.1f}"
    take_remnant(
        run=run,
        weight=bench.weight(grams),
        place=bench.works.places["feed-shelf"],
        act=bench.act(13),
    )
    after = run_now(run, bench.act(14).moment).state.anode_left_g
    assert after.low <= float(grams) <= after.high
    assert after.u < before.u / 2


def test_refused_before_the_start(bench, unchanged):
    run = bench.charged()
    before = unchanged()
    with pytest.raises(ConflictError) as caught:
        run_now(run, bench.act(3).moment)
    assert (caught.value.code, caught.value.field) == ("run_not_started", "run")
    assert unchanged() == before


def test_a_falling_current_foretells_the_end_and_a_chosen_day(bench, run):
    for step in range(1, 11):
        read(bench, run, 2 + 3 * step, f"{40 - step:.1f}")
    now = run_now(run, bench.act(32).moment)
    ahead = now.ahead(bench.act(40).moment)
    assert ahead.state == "forecast"
    assert ahead.exhausted is not None
    assert ahead.exhausted.hours is not None
    assert ahead.exhausted.hours > 0
    assert ahead.nine_tenths is not None
    assert ahead.nine_tenths.at < ahead.exhausted.at
    assert ahead.harvest_g is not None
    # All of the anode, by charge, if nothing were lost: 3 600 g of silver and 400 g of copper.
    assert ahead.harvest_g.value == pytest.approx(3600 + 400 * 3.39496, rel=0.12)
    assert ahead.at_moment is not None
    assert now.state.crystal_g.value < ahead.at_moment.crystal_g.value < ahead.harvest_g.value
    assert ahead.copper_limit is not None
    assert ahead.copper_to_silver is not None
    assert ahead.copper_to_silver.probability > 0.9


def test_two_readings_are_too_few_and_three_are_not(bench, run):
    read(bench, run, 7, "39")
    told = run_now(run, bench.act(8).moment).ahead()
    assert (told.state, told.exhausted) == ("too_few_readings", None)
    read(bench, run, 9, "38")
    assert run_now(run, bench.act(9).moment).ahead().state == "forecast"


def test_the_number_of_queries_does_not_grow_with_readings(bench, run):
    read(bench, run, 7, "40")
    with CaptureQueriesContext(connection) as with_few:
        run_now(run, bench.act(12).moment)
    for step in range(8, 12):
        read(bench, run, step, "40")
    with CaptureQueriesContext(connection) as with_many:
        run_now(run, bench.act(12).moment)
    assert len(with_many) == len(with_few) <= 20
