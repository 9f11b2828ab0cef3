"""The true state lies inside the stated 95 % interval in about 95 % of simulated runs."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from cells.electrochemistry.coulometry import Ammeter, count_charge
from cells.electrochemistry.current_series import Reading, read_series
from cells.electrochemistry.electrolysis import AnodeComposition
from cells.electrochemistry.electrolyte_state import (
    COPPER,
    PALLADIUM,
    PLATED,
    SILVER,
    VOLUME,
    AnodeCharge,
    ElectrolyteAssay,
    Estimate,
    RunAssumptions,
    begin_run,
    electrolyte_from_assay,
)
from cells.electrochemistry.run_trace import trace_run
from cells.electrochemistry.state_update import update_from_assay
from tests.cells.cell_simulator import simulate_run

SEED = 20310301
TRIALS = 400
START = datetime(2031, 3, 1, 8, 0, tzinfo=UTC)


def estimate(belief):
    return Estimate(belief.value, belief.u)


def begun(run):
    assay = ElectrolyteAssay(
        silver_g_per_l=estimate(run.silver_g_per_l), copper_g_per_l=estimate(run.copper_g_per_l)
    )
    composition = AnodeComposition(
        silver=run.anode_silver.value,
        copper=run.anode_copper.value,
        palladium=run.anode_palladium.value,
        palladium_dissolving=1.0,
    )
    anode = AnodeCharge(
        run.anode_g,
        composition,
        u_silver=run.anode_silver.u,
        u_copper=run.anode_copper.u,
        u_palladium=run.anode_palladium.u,
    )
    assumed = RunAssumptions(
        estimate(run.efficiency),
        u_gain=run.u_gain,
        evaporation_l_per_h=estimate(run.evaporation_l_per_h),
    )
    return begin_run(electrolyte_from_assay(assay, estimate(run.volume_l)), anode, assumed)


def traced(state, run, part):
    points = zip(run.reading_h[part].tolist(), run.reading_a[part].tolist(), strict=True)
    series = read_series([Reading(START + timedelta(hours=h), a) for h, a in points])
    return trace_run(state, series, count_charge(series, Ammeter(u_reading_a=run.u_reading_a))).end


def final_states(run):
    """The state at the end without and with the assay half way."""
    middle = traced(begun(run), run, slice(0, run.assay_index + 1))
    rest = slice(run.assay_index, None)
    assay = ElectrolyteAssay(
        silver_g_per_l=estimate(run.assay_silver_g_per_l),
        copper_g_per_l=estimate(run.assay_copper_g_per_l),
    )
    return traced(middle, run, rest), traced(update_from_assay(middle, assay).state, run, rest)


def quantities(state, truth):
    return {
        "silver_g": (state.estimate(SILVER), truth.silver_g),
        "copper_g": (state.estimate(COPPER), truth.copper_g),
        "palladium_g": (state.estimate(PALLADIUM), truth.palladium_g),
        "volume_l": (state.estimate(VOLUME), truth.volume_l),
        "plated_g": (state.estimate(PLATED), truth.plated_g),
        "anode_left_g": (state.anode_left_g, truth.anode_left_g),
        "silver_g_per_l": (state.concentration(SILVER), truth.silver_g / truth.volume_l),
        "copper_g_per_l": (state.concentration(COPPER), truth.copper_g / truth.volume_l),
    }


@pytest.fixture(scope="module")
def trials():
    rng = np.random.default_rng(SEED)
    runs = [simulate_run(rng) for _ in range(TRIALS)]
    return [(final_states(run), run.at_end) for run in runs]


@pytest.mark.parametrize("with_assay", [False, True], ids=["without_assay", "with_assay"])
def test_truth_lies_in_the_95_per_cent_interval_in_about_95_per_cent_of_runs(trials, with_assay):
    hits = {}
    for states, truth in trials:
        for name, (found, true) in quantities(states[with_assay], truth).items():
            low, high = found.interval_95
            hits[name] = hits.get(name, 0) + (low <= true <= high)
    # 400 draws at 95 %: 380 expected, standard deviation 4.36; four of them on either side.
    shares = {name: count / TRIALS for name, count in hits.items()}
    print(f"seed {SEED}, {TRIALS} runs, coverage {shares}")  # noqa: T201
    for name, count in hits.items():
        assert 362 <= count <= 397, (name, count)


def test_an_assay_half_way_narrows_the_final_interval(trials):
    for (without, with_assay), _ in trials[:20]:
        for metal in (SILVER, COPPER):
            assert with_assay.concentration(metal).u < without.concentration(metal).u
