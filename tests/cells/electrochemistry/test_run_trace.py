"""The run at every reading agrees with stepping from reading to reading."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from cells.electrochemistry.coulometry import Ammeter, count_charge
from cells.electrochemistry.current_series import PowerCut, Reading, read_series
from cells.electrochemistry.electrolysis import AnodeComposition
from cells.electrochemistry.electrolyte_state import (
    COPPER,
    MOVING_SIZE,
    PLATED,
    SILVER,
    VOLUME,
    AnodeCharge,
    ElectrolyteAssay,
    Estimate,
    RunAssumptions,
    begin_run,
    electrolyte_from_assay,
    step,
)
from cells.electrochemistry.run_trace import trace_run
from cells.electrochemistry.state_update import update_from_assay
from config.refusals import InvalidError

START = datetime(2031, 3, 1, 8, 0, tzinfo=UTC)
POINTS = ((0, 6.0), (3, 5.5), (10, 5.0), (24, 4.0), (30, 3.8), (48, 3.0))


def series(points=POINTS, cuts=(), max_gap_h=24.0):
    return read_series(
        [Reading(START + timedelta(hours=hours), current_a) for hours, current_a in points],
        power_cuts=[
            PowerCut(START + timedelta(hours=begin), START + timedelta(hours=end))
            for begin, end in cuts
        ],
        max_gap_h=max_gap_h,
    )


def run(anode_g=2000.0, evaporation_l_per_h=0.01):
    electrolyte = electrolyte_from_assay(
        ElectrolyteAssay(silver_g_per_l=Estimate(80.0, 0.8), copper_g_per_l=Estimate(10.0, 0.2)),
        Estimate(12.0, 0.1),
    )
    anode = AnodeCharge(
        anode_g, AnodeComposition(silver=0.85, copper=0.13), u_silver=0.01, u_copper=0.01
    )
    evaporation = Estimate(evaporation_l_per_h, evaporation_l_per_h / 4)
    return begin_run(
        electrolyte,
        anode,
        RunAssumptions(Estimate(0.96, 0.01), u_gain=0.01, evaporation_l_per_h=evaporation),
    )


def run_after_assay():
    """A run whose assay has tied metals, volume and evaporation to one another."""
    state = step(run(), charge_ah=60.0, hours=24.0, u_charge_ah=0.5)
    assay = ElectrolyteAssay(silver_g_per_l=Estimate(77.0, 0.3), copper_g_per_l=Estimate(13.0, 0.1))
    return update_from_assay(state, assay).state


@pytest.mark.parametrize("begun", [run(), run_after_assay()], ids=["fresh", "after_assay"])
def test_trace_agrees_with_stepping_to_each_reading(begun):
    readings = series()
    count = count_charge(readings, Ammeter(u_gain=0.0))
    trace = trace_run(begun, readings, count)
    for index in range(1, len(POINTS)):
        charge_ah = trace.charge_ah[index] - begun.charge_ah
        state = step(
            begun,
            charge_ah=charge_ah,
            hours=POINTS[index][0],
            u_charge_ah=count.u_random_ah * np.sqrt(charge_ah / count.ampere_hours),
        )
        assert np.allclose(trace.mean[index], state.mean[:MOVING_SIZE])
        assert np.allclose(trace.u[index] ** 2, np.diag(state.covariance)[:MOVING_SIZE])
        for metal in (SILVER, COPPER):
            found = state.concentration(metal)
            assert trace.per_l[index, metal] == pytest.approx(found.value)
            assert trace.u_per_l[index, metal] == pytest.approx(found.u)
    assert np.allclose(trace.end.covariance, state.covariance)


def test_moment_of_exhaustion_is_exact_under_a_falling_current():
    begun = run(anode_g=500.0)
    readings = series(((0, 8.0), (40, 4.0)), max_gap_h=100.0)
    trace = trace_run(begun, readings, count_charge(readings, Ammeter()))
    hours = trace.end.stop.after_h
    # 8 t - 0.05 t^2 is the charge after t hours.
    only_so_far = step(begun, charge_ah=8 * hours - 0.05 * hours**2, hours=hours)
    assert 0.0 < hours < 40.0
    assert only_so_far.anode_left_g.value == pytest.approx(0.0, abs=1e-6)
    assert trace.mean[-1, PLATED] == pytest.approx(only_so_far.mean[PLATED])
    assert trace.end.stop.reason == "anode_exhausted"


def test_gap_holds_charge_only_when_bridged():
    readings = series(((0, 5.0), (2, 5.0), (40, 5.0), (42, 5.0)))
    count = count_charge(readings, Ammeter())
    apart = trace_run(run(), readings, count)
    bridged = trace_run(run(), readings, count.with_gaps_bridged())
    assert apart.end.charge_ah == pytest.approx(20.0)
    assert bridged.end.charge_ah == pytest.approx(210.0)
    assert bridged.u[-1, COPPER] > apart.u[-1, COPPER]


def test_water_evaporates_through_a_power_cut():
    readings = series(cuts=[(11, 23)])
    trace = trace_run(run(), readings, count_charge(readings, Ammeter()))
    assert trace.mean[-1, VOLUME] == pytest.approx(12.0 - 0.48)


def test_trace_goes_on_from_where_an_earlier_one_ended():
    first, second = series(POINTS[:3]), series([(h - 10, a) for h, a in POINTS[2:]])
    ammeter = Ammeter()
    middle = trace_run(run(), first, count_charge(first, ammeter)).end
    end = trace_run(middle, second, count_charge(second, ammeter)).end
    whole = trace_run(run(), series(), count_charge(series(), ammeter)).end
    assert np.allclose(end.mean, whole.mean)
    assert end.hours == pytest.approx(48.0)


def test_drying_up_is_refused():
    readings = series()
    with pytest.raises(InvalidError) as refusal:
        trace_run(run(evaporation_l_per_h=0.5), readings, count_charge(readings, Ammeter()))
    assert (refusal.value.code, refusal.value.field) == ("electrolyte_dry", "hours")
