"""What is in the bowl while it runs, and what the forecast makes of it."""

from __future__ import annotations

from decimal import Decimal

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from cells.electrochemistry.electrolyte_state import COPPER, SILVER, VOLUME
from cells.queries.run_forecast import run_forecast
from cells.queries.run_state import run_state_now
from cells.services.electrolytes import ElectrolyteMeasurement
from cells.services.measure_electrolyte import measure_electrolyte
from cells.services.readings import Instruments, record_reading
from cells.services.start_run import start_run
from cells.services.top_up import Addition, top_up_electrolyte
from config.refusals import ConflictError
from lots.measurements.outputs import Volume
from lots.services.taking import Take


@pytest.fixture
def run(bench):
    """A run of pure silver and copper, 40 A from hour 2 on."""
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
    now = run_state_now(run, bench.act(12).moment)
    assert now.count is not None
    assert now.count.ampere_hours == pytest.approx(400)
    plated = now.silver_plated_g.value
    # A cell without a history of its own is expected to plate 97 % (common practice, no source).
    assert plated == pytest.approx(0.97 * 400 * 4.02471, rel=1e-4)
    copper = now.state.estimate(COPPER).value - 240
    dissolved = now.state.estimate(SILVER).value - 720 + plated
    # Nine of silver to one of copper dissolve; equal charges at both electrodes.
    assert dissolved == pytest.approx(9 * copper, rel=1e-9)
    assert dissolved + copper * 2 * 107.8682 / 63.546 == pytest.approx(plated, rel=1e-9)
    assert now.anode_left_g.value == pytest.approx(4000 - dissolved - copper, rel=1e-9)


def test_top_ups_and_assays_correct_the_state(bench, run):
    read(bench, run, 7, "40")
    before = run_state_now(run, bench.act(12).moment)
    top_up_electrolyte(
        batch=run.electrolyte,
        addition=Addition(volume=Volume(600_000, 0), supplies_ug={"Ag": 30_000_000}),
        act=bench.act(8),
    )
    topped = run_state_now(run, bench.act(12).moment)
    assert topped.state.estimate(VOLUME).value == pytest.approx(12.6)
    assert topped.state.estimate(SILVER).value == pytest.approx(
        before.state.estimate(SILVER).value + 30
    )
    expected = topped.state.concentration(SILVER)
    measure_electrolyte(
        batch=run.electrolyte,
        measurement=ElectrolyteMeasurement(
            assay=bench.assay("g_per_l", u="0.3", Ag=f"{expected.value - 2:.3f}")
        ),
        act=bench.act(11),
    )
    corrected = run_state_now(run, bench.act(12).moment)
    assert corrected.state.concentration(SILVER).value < expected.value - 0.5
    assert corrected.state.concentration(SILVER).u < expected.u
    assert [each.quantity for each in corrected.surprises] == ["silver_g_per_l"]


def test_figures_read_at_the_cell_count_too(bench, run):
    read(bench, run, 7, "40", silver_g_per_l=Decimal("50"), free_acid_g_per_l=Decimal("8"))
    now = run_state_now(run, bench.act(12).moment)
    assert {each.quantity for each in now.surprises} == {"silver_g_per_l", "acid_mol_per_l"}


def test_refused_before_the_start(bench, unchanged):
    run = bench.charged()
    before = unchanged()
    with pytest.raises(ConflictError) as caught:
        run_state_now(run, bench.act(3).moment)
    assert (caught.value.code, caught.value.field) == ("run_not_started", "run")
    assert unchanged() == before


def test_a_falling_current_foretells_the_end(bench, run):
    for step in range(1, 11):
        read(bench, run, 2 + 3 * step, f"{40 - step:.1f}")
    told = run_forecast(run, bench.act(32).moment)
    assert told.forecast.state == "forecast"
    assert told.forecast.exhausted is not None
    assert told.forecast.exhausted.hours is not None
    assert told.forecast.exhausted.hours > 0
    assert told.forecast.harvest_g is not None
    # All of the anode: 3 600 g of silver and 400 g of copper, by charge.
    assert told.forecast.harvest_g.value == pytest.approx(3600 + 400 * 3.39496, rel=1e-3)


def test_too_few_readings_are_said_so(bench, run):
    told = run_forecast(run, bench.act(3).moment)
    assert told.forecast.state == "too_few_readings"
    assert told.forecast.exhausted is None


def test_the_number_of_queries_does_not_grow_with_readings(bench, run):
    read(bench, run, 7, "40")
    with CaptureQueriesContext(connection) as with_few:
        run_state_now(run, bench.act(12).moment)
    for step in range(8, 12):
        read(bench, run, step, "40")
    with CaptureQueriesContext(connection) as with_many:
        run_state_now(run, bench.act(12).moment)
    assert len(with_many) == len(with_few) <= 15
