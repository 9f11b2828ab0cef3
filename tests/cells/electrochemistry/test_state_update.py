"""Assay, volume, remnant and crystal weighed against what the state expected."""

import numpy as np
import pytest

from cells.electrochemistry.electrolysis import AnodeComposition
from cells.electrochemistry.electrolyte_state import (
    ANODE_COPPER,
    COPPER,
    PLATED,
    SCALE,
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
from cells.electrochemistry.state_update import (
    update_from_assay,
    update_from_crystal,
    update_from_remnant,
    update_from_volume,
)
from config.refusals import InvalidError

ANODE = AnodeComposition(silver=0.88, copper=0.12)


def electrolyte(u=2.0):
    assay = ElectrolyteAssay(silver_g_per_l=Estimate(80.0, u), copper_g_per_l=Estimate(10.0, u))
    return electrolyte_from_assay(assay, Estimate(12.0))


def run_after(charge_ah=300.0):
    begun = begin_run(
        electrolyte(0.5),
        AnodeCharge(4000.0, ANODE, u_silver=0.01, u_copper=0.01),
        RunAssumptions(Estimate(0.96, 0.02), u_gain=0.01),
    )
    return step(begun, charge_ah=charge_ah, hours=60.0)


def test_equal_variances_meet_half_way():
    updated = update_from_assay(electrolyte(), ElectrolyteAssay(silver_g_per_l=Estimate(84, 2.0)))
    silver = updated.state.concentration(SILVER)
    assert silver.value == pytest.approx(82.0)
    assert silver.u == pytest.approx(np.sqrt(2.0))
    (surprise,) = updated.surprises
    assert (surprise.quantity, surprise.found) == ("silver_g_per_l", 84.0)
    assert surprise.expected == pytest.approx(80.0)
    assert surprise.deviations == pytest.approx(4.0 / np.sqrt(8.0))


def test_what_was_not_determined_stays():
    updated = update_from_assay(electrolyte(), ElectrolyteAssay(silver_g_per_l=Estimate(84, 2.0)))
    assert updated.state.estimate(COPPER) == electrolyte().estimate(COPPER)


def test_a_sharp_assay_of_copper_corrects_the_anode_and_the_silver_too():
    before = run_after()
    found = before.concentration(COPPER).value + 1.0
    after = update_from_assay(before, ElectrolyteAssay(copper_g_per_l=Estimate(found, 0.05))).state
    assert after.estimate(ANODE_COPPER).value > before.estimate(ANODE_COPPER).value
    assert after.concentration(SILVER).value < before.concentration(SILVER).value
    for index in (COPPER, SILVER, ANODE_COPPER):
        assert after.estimate(index).u < before.estimate(index).u


def test_measured_volume_changes_concentrations_not_masses():
    loose = electrolyte_from_assay(
        ElectrolyteAssay(silver_g_per_l=Estimate(80.0, 1.0)), Estimate(12.0, 0.0)
    )
    wide = np.zeros((5, 5))
    wide[VOLUME, VOLUME] = 1.0
    loose = type(loose)(loose.mean, loose.covariance + wide)
    after = update_from_volume(loose, Estimate(11.0, 0.01)).state
    assert after.estimate(VOLUME).value == pytest.approx(11.0, abs=1e-3)
    assert after.estimate(SILVER).value == pytest.approx(960.0)
    assert after.concentration(SILVER).value == pytest.approx(960 / 11, rel=1e-3)


def test_weighed_crystal_sets_the_charge_scale():
    before = run_after()
    crystal_g = 0.95 * before.estimate(PLATED).value
    after = update_from_crystal(before, Estimate(crystal_g, 0.5)).state
    assert after.estimate(PLATED).value == pytest.approx(crystal_g, rel=1e-3)
    assert after.estimate(SCALE).value == pytest.approx(0.95 * 0.96, rel=2e-3)


def test_weighed_remnant_sets_what_was_consumed():
    before = run_after()
    remnant_g = before.anode_left_g.value - 30.0
    after = update_from_remnant(before, Estimate(remnant_g, 0.5)).state
    assert after.anode_left_g.value == pytest.approx(remnant_g, abs=0.5)
    assert after.anode_left_g.u < 0.6


def test_an_anode_hung_and_taken_out_whole_has_given_nothing():
    after = update_from_remnant(run_after(1.0), Estimate(4000.0, 0.01)).state
    assert after.anode_left_g.value == pytest.approx(4000.0, abs=0.1)


def test_less_than_a_litre_is_measured_too():
    small = electrolyte_from_assay(
        ElectrolyteAssay(silver_g_per_l=Estimate(80.0, 1.0)), Estimate(0.5, 0.1)
    )
    after = update_from_volume(small, Estimate(0.45, 0.01)).state
    assert after.estimate(VOLUME).value == pytest.approx(0.45, abs=0.001)


def test_no_amount_falls_below_zero():
    updated = update_from_assay(
        electrolyte(20.0), ElectrolyteAssay(copper_g_per_l=Estimate(0.0, 0.01))
    )
    assert updated.state.mean.min() >= 0.0


def test_update_never_widens_and_stays_positive_semidefinite():
    before = run_after()
    after = update_from_assay(
        before,
        ElectrolyteAssay(silver_g_per_l=Estimate(70.0, 1.0), copper_g_per_l=Estimate(20.0, 0.5)),
    ).state
    # Rounding leaves eigenvalues of the order of 1e-16 of the largest.
    tolerance = 1e-9 * np.linalg.eigvalsh(before.covariance).max()
    assert np.linalg.eigvalsh(after.covariance).min() > -tolerance
    assert np.linalg.eigvalsh(before.covariance - after.covariance).min() > -tolerance


def test_assay_without_figures_is_refused():
    with pytest.raises(InvalidError) as refusal:
        update_from_assay(electrolyte(), ElectrolyteAssay())
    assert (refusal.value.code, refusal.value.field) == ("no_figures", "assay")


def test_exact_measurement_is_refused():
    with pytest.raises(InvalidError) as refusal:
        update_from_volume(electrolyte(), Estimate(11.0, 0.0))
    assert (refusal.value.code, refusal.value.field) == ("zero_uncertainty", "volume_l")


def test_figure_that_would_leave_no_volume_is_refused():
    vague = electrolyte_from_assay(
        ElectrolyteAssay(silver_g_per_l=Estimate(80.0, 1.0)), Estimate(12.0, 6.0)
    )
    sure = np.zeros((5, 5))
    sure[VOLUME, VOLUME] = 36.0
    with pytest.raises(InvalidError) as refusal:
        update_from_assay(
            type(vague)(vague.mean, sure), ElectrolyteAssay(silver_g_per_l=Estimate(400.0, 1.0))
        )
    assert (refusal.value.code, refusal.value.field) == ("contradicts_state", "silver_g_per_l")


def test_remnant_above_the_anode_is_refused():
    with pytest.raises(InvalidError) as refusal:
        update_from_remnant(run_after(), Estimate(4001.0, 1.0))
    assert (refusal.value.code, refusal.value.field) == ("too_large", "remnant_g")
