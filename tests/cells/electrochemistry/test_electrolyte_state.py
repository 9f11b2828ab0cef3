"""The electrolyte stepped through a run: exact balances, uncertainty, additions and bleed."""

from dataclasses import replace

import numpy as np
import pytest

from cells.electrochemistry.electrolysis import (
    AnodeComposition,
    anode_consumed_g_per_ah,
    balance_charge,
)
from cells.electrochemistry.electrolyte_state import (
    ACID,
    CONSUMED,
    COPPER,
    PALLADIUM,
    PLATED,
    SCALE,
    SILVER,
    VOLUME,
    Addition,
    AnodeCharge,
    ElectrolyteAssay,
    Estimate,
    RunAssumptions,
    add,
    begin_run,
    bleed,
    electrolyte_from_assay,
    step,
)
from config.refusals import InvalidError

ANODE = AnodeComposition(silver=0.85, copper=0.12, palladium=0.02, palladium_dissolving=0.5)


def fresh(silver=80.0, copper=10.0, u=0.0):
    return electrolyte_from_assay(
        ElectrolyteAssay(
            silver_g_per_l=Estimate(silver, u),
            copper_g_per_l=Estimate(copper, u),
            acid_mol_per_l=Estimate(0.1, 0.01),
        ),
        Estimate(12.0, 0.1),
    )


def run(anode_g=2000.0, evaporation_l_per_h=0.0, u_evaporation=0.0, **u):
    return begin_run(
        fresh(),
        AnodeCharge(anode_g, ANODE, **u),
        RunAssumptions(
            Estimate(0.96, 0.01),
            u_gain=0.01,
            evaporation_l_per_h=Estimate(evaporation_l_per_h, u_evaporation),
        ),
    )


def test_step_moves_what_the_charge_balance_says():
    state = step(run(), charge_ah=100.0, hours=24.0)
    balance = balance_charge(100.0, ANODE, efficiency=0.96)
    assert state.estimate(PLATED).value == pytest.approx(balance.silver_plated_g)
    assert state.estimate(SILVER).value == pytest.approx(960.0 + balance.silver_change_g)
    assert state.estimate(COPPER).value == pytest.approx(120.0 + balance.copper_dissolved_g)
    assert state.estimate(PALLADIUM).value == pytest.approx(balance.palladium_dissolved_g)
    assert state.anode_left_g.value == pytest.approx(2000.0 - balance.anode_consumed_g)
    assert state.estimate(ACID).value == pytest.approx(1.2)
    assert (state.hours, state.charge_ah, state.stop) == (24.0, 100.0, None)


def test_one_step_equals_many():
    begun = run(u_copper=0.005)
    once = step(begun, charge_ah=200.0, hours=48.0)
    often = begun
    for _ in range(20):
        often = step(often, charge_ah=10.0, hours=2.4)
    assert np.allclose(once.mean, often.mean)
    assert np.allclose(once.covariance, often.covariance)


def test_covariance_matches_a_sample_of_runs():
    rng = np.random.default_rng(20310301)
    begun = run(u_silver=0.004, u_copper=0.006, u_palladium=0.001)
    end = step(begun, charge_ah=300.0, hours=60.0, u_charge_ah=2.0)
    draws = 4000
    scale = rng.normal(0.96, np.hypot(0.01, 0.0096), draws)
    charge = rng.normal(300.0, 2.0, draws)
    silver = rng.normal(0.85, 0.004, draws)
    copper = rng.normal(0.12, 0.006, draws)
    palladium = rng.normal(0.01, 0.001, draws)
    electrons = silver / 107.8682 + 2 * copper / 63.546 + 2 * palladium / 106.42
    consumed = scale * charge * 3600 / 96485.33212 / electrons
    assert end.estimate(COPPER).u == pytest.approx(
        np.std(rng.normal(12, 0.1, draws) * 10 + consumed * copper), rel=0.05
    )
    assert end.estimate(CONSUMED).u == pytest.approx(np.std(consumed), rel=0.05)
    plated = scale * charge * 4.02471
    assert end.estimate(PLATED).u == pytest.approx(np.std(plated), rel=0.05)


def test_covariance_follows_the_slopes_of_the_step():
    begun = run(
        evaporation_l_per_h=0.01,
        u_evaporation=0.002,
        u_silver=0.004,
        u_copper=0.006,
        u_palladium=0.001,
    )

    def end_mean(start_mean):
        return step(replace(begun, mean=start_mean), charge_ah=300.0, hours=60.0).mean

    slopes = np.empty((12, 12))
    for index in range(12):
        nudge = np.zeros(12)
        nudge[index] = 1e-6
        high, low = end_mean(begun.mean + nudge), end_mean(begun.mean - nudge)
        slopes[:, index] = (high - low) / 2e-6
    by_slopes = slopes @ begun.covariance @ slopes.T
    covariance = step(begun, charge_ah=300.0, hours=60.0).covariance
    assert np.allclose(covariance, by_slopes, rtol=1e-5, atol=1e-8)


def test_random_charge_uncertainty_counts_only_for_the_charge_that_worked():
    begun = replace(run(anode_g=400.0), covariance=np.zeros((12, 12)))
    needed_ah = 400.0 / (anode_consumed_g_per_ah(ANODE) * 0.96)
    whole = step(begun, charge_ah=0.999 * needed_ah, hours=20.0, u_charge_ah=3.0)
    half = step(begun, charge_ah=2 * needed_ah, hours=40.0, u_charge_ah=3.0)
    assert whole.estimate(PLATED).u == pytest.approx(3.0 * 0.96 * 4.02471, rel=1e-4)
    assert half.estimate(PLATED).u == pytest.approx(whole.estimate(PLATED).u / np.sqrt(2))


def test_run_stops_when_the_anode_is_exhausted_and_says_when():
    begun = run(anode_g=400.0)
    needed_ah = 400.0 / (anode_consumed_g_per_ah(ANODE) * 0.96)
    state = step(begun, charge_ah=2 * needed_ah, hours=50.0)
    assert state.stop.reason == "anode_exhausted"
    assert state.stop.after_h == pytest.approx(25.0)
    assert state.anode_left_g.value == pytest.approx(0.0, abs=1e-9)
    later = step(state, charge_ah=10.0, hours=5.0)
    assert later.stop == state.stop
    assert np.allclose(later.mean, state.mean)


def test_run_stops_when_the_electrolyte_has_no_silver_left():
    poor = begin_run(fresh(silver=2.0), AnodeCharge(5000.0, ANODE), RunAssumptions(Estimate(1.0)))
    state = step(poor, charge_ah=1000.0, hours=100.0)
    assert state.stop.reason == "silver_exhausted"
    assert state.estimate(SILVER).value == pytest.approx(0.0, abs=1e-9)


def test_evaporation_thickens_the_electrolyte_and_topping_up_thins_it():
    state = step(run(evaporation_l_per_h=0.02, u_evaporation=0.005), charge_ah=0.0, hours=100.0)
    assert state.estimate(VOLUME).value == pytest.approx(10.0)
    assert state.estimate(VOLUME).u == pytest.approx(np.hypot(0.1, 0.5))
    assert state.concentration(COPPER).value == pytest.approx(12.0)
    topped = add(state, Addition(volume_l=Estimate(2.0, 0.05)))
    assert topped.concentration(COPPER).value == pytest.approx(10.0)
    assert topped.concentration(ACID).value == pytest.approx(0.1)


def test_concentration_of_a_fresh_assay_is_the_assay():
    electrolyte = fresh(u=0.5)
    assert electrolyte.concentration(SILVER).value == pytest.approx(80.0)
    assert electrolyte.concentration(SILVER).u == pytest.approx(0.5)
    assert electrolyte.estimate(SILVER).u == pytest.approx(np.hypot(12 * 0.5, 80 * 0.1))


def test_bleed_takes_its_share_of_everything_and_leaves_the_concentrations():
    before = fresh(u=0.5)
    after = bleed(before, Estimate(3.0, 0.05))
    assert after.estimate(VOLUME).value == pytest.approx(9.0)
    assert after.estimate(SILVER).value == pytest.approx(720.0)
    assert after.concentration(SILVER).value == pytest.approx(80.0)
    assert after.concentration(SILVER).u == pytest.approx(0.5)
    assert after.estimate(VOLUME).u == pytest.approx(np.hypot(0.1, 0.05))


def test_additions_bring_metal_and_acid_with_their_uncertainty():
    after = add(
        fresh(),
        Addition(
            volume_l=Estimate(1.0), silver_g=Estimate(100.0, 1.0), acid_mol=Estimate(2.0, 0.1)
        ),
    )
    assert after.estimate(SILVER).value == pytest.approx(1060.0)
    assert after.estimate(SILVER).u == pytest.approx(np.hypot(8.0, 1.0))
    assert after.estimate(ACID).value == pytest.approx(3.2)


def test_electrolyte_of_a_run_goes_into_the_next():
    state = step(run(), charge_ah=50.0, hours=10.0)
    carried = state.electrolyte
    assert carried.mean.shape == (5,)
    assert carried.estimate(COPPER) == state.estimate(COPPER)


def test_interval_is_cut_off_at_zero():
    low, high = Estimate(1.0, 1.0).interval_95
    assert (low, high) == (0.0, pytest.approx(2.96, abs=0.001))


def test_an_ammeter_nobody_rated_is_known_to_one_per_cent():
    begun = begin_run(fresh(), AnodeCharge(1.0, ANODE), RunAssumptions(Estimate(1.1)))
    assert begun.estimate(SCALE).value == 1.1
    assert begun.estimate(SCALE).u == pytest.approx(0.011)


@pytest.mark.parametrize(
    ("arguments", "code", "field"),
    [
        ({"charge_ah": -1.0, "hours": 1.0}, "too_small", "charge_ah"),
        ({"charge_ah": 1.0, "hours": float("nan")}, "not_a_number", "hours"),
        ({"charge_ah": 1.0, "hours": 1.0, "u_charge_ah": -1.0}, "too_small", "u_charge_ah"),
        ({"charge_ah": 0.0, "hours": 1000.0}, "electrolyte_dry", "hours"),
    ],
)
def test_impossible_step_is_refused(arguments, code, field):
    state = run(evaporation_l_per_h=0.02)
    with pytest.raises(InvalidError) as refusal:
        step(state, **arguments)
    assert (refusal.value.code, refusal.value.field) == (code, field)


def test_bleeding_all_there_is_is_refused():
    with pytest.raises(InvalidError) as refusal:
        bleed(fresh(), Estimate(12.0))
    assert (refusal.value.code, refusal.value.field) == ("too_large", "volume_l")


def test_electrolyte_without_volume_is_refused():
    with pytest.raises(InvalidError) as refusal:
        electrolyte_from_assay(ElectrolyteAssay(), Estimate(0.0))
    assert (refusal.value.code, refusal.value.field) == ("too_small", "volume_l")


@pytest.mark.parametrize(
    ("build", "code", "field"),
    [
        (lambda: Estimate(-1.0), "too_small", "value"),
        (lambda: Estimate(1.0, -0.1), "too_small", "u"),
        (lambda: AnodeCharge(0.0, ANODE), "too_small", "anode.mass_g"),
        (lambda: AnodeCharge(1.0, ANODE, u_copper=2.0), "too_large", "anode.u_copper"),
        (lambda: RunAssumptions(Estimate(0.0)), "too_small", "efficiency"),
        (lambda: RunAssumptions(Estimate(1.1001)), "too_large", "efficiency"),
        (lambda: RunAssumptions(Estimate(1.0), u_gain=-0.1), "too_small", "u_gain"),
    ],
)
def test_impossible_assumption_is_refused(build, code, field):
    with pytest.raises(InvalidError) as refusal:
        build()
    assert (refusal.value.code, refusal.value.field) == (code, field)
