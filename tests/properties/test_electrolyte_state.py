"""Whatever happens to a run, charge and each metal are conserved and nothing falls below zero."""

from datetime import UTC, datetime, timedelta

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from cells.electrochemistry.coulometry import Ammeter, count_charge, cumulative_ah
from cells.electrochemistry.current_series import PowerCut, Reading, read_series
from cells.electrochemistry.electrolysis import AnodeComposition
from cells.electrochemistry.electrolyte_state import (
    CONSUMED,
    COPPER,
    PALLADIUM,
    PLATED,
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
from cells.electrochemistry.state_update import update_from_assay

START = datetime(2031, 3, 1, tzinfo=UTC)
RELATIVE = 1e-9


@st.composite
def runs(draw):
    silver = draw(st.floats(0.3, 0.98))
    copper = draw(st.floats(0.0, 1.0 - silver))
    palladium = draw(st.floats(0.0, 1.0 - silver - copper))
    anode = AnodeComposition(
        silver=silver,
        copper=copper,
        palladium=palladium,
        palladium_dissolving=draw(st.floats(0.0, 1.0)),
    )
    assay = ElectrolyteAssay(
        silver_g_per_l=Estimate(draw(st.floats(5.0, 200.0)), 1.0),
        copper_g_per_l=Estimate(draw(st.floats(0.0, 60.0)), 0.5),
    )
    return begin_run(
        electrolyte_from_assay(assay, Estimate(draw(st.floats(2.0, 30.0)), 0.1)),
        AnodeCharge(draw(st.floats(50.0, 8000.0)), anode, u_silver=0.005, u_copper=0.005),
        RunAssumptions(
            Estimate(draw(st.floats(0.8, 1.0)), 0.01),
            evaporation_l_per_h=Estimate(draw(st.floats(0.0, 0.001)), 0.0002),
        ),
    )


steps = st.lists(
    st.tuples(st.floats(0.0, 400.0), st.floats(0.0, 48.0), st.floats(0.0, 5.0)), max_size=8
)


@settings(max_examples=60, deadline=None)
@given(runs(), steps)
def test_each_metal_is_conserved_between_anode_electrolyte_and_cathode(begun, charges):
    state = begun
    for charge_ah, hours, u_charge_ah in charges:
        state = step(state, charge_ah=charge_ah, hours=hours, u_charge_ah=u_charge_ah)
    made_of = begun.anode.composition
    consumed_g = state.mean[CONSUMED]
    silver_g = state.mean[SILVER] + state.mean[PLATED] - consumed_g * made_of.silver
    whole_g = begun.mean[SILVER] + state.mean[PLATED]
    assert abs(silver_g - begun.mean[SILVER]) <= RELATIVE * whole_g
    dissolving = made_of.palladium * made_of.palladium_dissolving
    for metal, fraction in ((COPPER, made_of.copper), (PALLADIUM, dissolving)):
        gained_g = state.mean[metal] - begun.mean[metal]
        assert abs(gained_g - consumed_g * fraction) <= RELATIVE * (1.0 + state.mean[metal])


@settings(max_examples=60, deadline=None)
@given(runs(), steps)
def test_charge_that_dissolves_equals_charge_that_plates(begun, charges):
    state = begun
    for charge_ah, hours, _ in charges:
        state = step(state, charge_ah=charge_ah, hours=hours)
    gained = state.mean - begun.mean
    dissolved_mol = (
        state.mean[CONSUMED] * begun.anode.composition.silver / 107.8682
        + 2 * gained[COPPER] / 63.546
        + 2 * gained[PALLADIUM] / 106.42
    )
    plated_mol = state.mean[PLATED] / 107.8682
    assert abs(dissolved_mol - plated_mol) <= 1e-8 * (1.0 + plated_mol)


@settings(max_examples=60, deadline=None)
@given(runs(), steps)
def test_copper_never_falls_and_nothing_goes_below_zero(begun, charges):
    state = begun
    for charge_ah, hours, u_charge_ah in charges:
        after = step(state, charge_ah=charge_ah, hours=hours, u_charge_ah=u_charge_ah)
        assert after.mean[COPPER] >= state.mean[COPPER]
        assert after.mean[PLATED] >= state.mean[PLATED]
        assert after.mean[VOLUME] <= state.mean[VOLUME]
        assert after.mean.min() >= 0.0
        assert after.mean[CONSUMED] <= begun.anode.mass_g * (1.0 + RELATIVE)
        assert np.diag(after.covariance).min() >= 0.0
        state = after


@settings(max_examples=60, deadline=None)
@given(runs(), st.floats(1.0, 300.0), st.floats(0.01, 0.9), st.floats(0.8, 1.2))
def test_bleed_addition_and_assay_keep_a_valid_covariance(begun, charge_ah, part, found_part):
    state = step(begun, charge_ah=charge_ah, hours=5.0)
    state = bleed(state, Estimate(part * float(state.mean[VOLUME]), 0.02))
    state = add(state, Addition(volume_l=Estimate(1.0, 0.01), silver_g=Estimate(50.0, 0.1)))
    found_g_per_l = found_part * state.concentration(SILVER).value
    assay = ElectrolyteAssay(silver_g_per_l=Estimate(found_g_per_l, 1.0))
    after = update_from_assay(state, assay).state
    assert after.mean.min() >= 0.0
    scale = np.linalg.eigvalsh(state.covariance).max()
    assert np.linalg.eigvalsh(after.covariance).min() >= -1e-9 * scale
    assert np.linalg.eigvalsh(state.covariance - after.covariance).min() >= -1e-9 * scale


@st.composite
def series(draw):
    gaps_h = draw(st.lists(st.floats(0.01, 30.0), min_size=2, max_size=12))
    hours = np.concatenate(([0.0], np.cumsum(gaps_h)))
    currents = draw(
        st.lists(st.floats(0.0, 50.0), min_size=len(hours), max_size=len(hours)),
    )
    readings = [
        Reading(START + timedelta(hours=hour), current)
        for hour, current in zip(hours.tolist(), currents, strict=True)
    ]
    # A cut strictly inside one interval, so that no reading contradicts it.
    place = draw(st.integers(0, len(gaps_h) - 1))
    begin = hours[place] + gaps_h[place] * 0.25
    end = hours[place] + gaps_h[place] * draw(st.floats(0.3, 0.75))
    cut = PowerCut(START + timedelta(hours=begin), START + timedelta(hours=end))
    return readings, cut


@settings(max_examples=60, deadline=None)
@given(series())
def test_charge_lies_between_least_and_greatest_current_and_cuts_only_take(built):
    readings, cut = built
    whole = read_series(readings, max_gap_h=100.0)
    with_cut = read_series(readings, power_cuts=[cut], max_gap_h=100.0)
    count = count_charge(whole, Ammeter())
    currents = [reading.current_a for reading in readings]
    slack = 1e-9 * (1.0 + count.ampere_hours)
    assert min(currents) * count.powered_h - slack <= count.ampere_hours
    assert count.ampere_hours <= max(currents) * count.powered_h + slack
    assert count_charge(with_cut, Ammeter()).ampere_hours <= count.ampere_hours + slack
    assert np.all(np.diff(cumulative_ah(with_cut)) >= 0.0)


@settings(max_examples=60, deadline=None)
@given(series(), st.floats(0.5, 20.0))
def test_what_is_counted_and_what_is_set_apart_make_the_whole(built, max_gap_h):
    readings, _ = built
    whole_ah = count_charge(read_series(readings, max_gap_h=1000.0), Ammeter()).ampere_hours
    apart = count_charge(read_series(readings, max_gap_h=max_gap_h), Ammeter())
    assert abs(apart.with_gaps_bridged().ampere_hours - whole_ah) <= 1e-9 * (1.0 + whole_ah)
    assert apart.u_ampere_hours <= apart.with_gaps_bridged().u_ampere_hours + 1e-12
