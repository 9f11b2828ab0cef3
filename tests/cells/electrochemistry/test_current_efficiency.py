"""Current efficiency of past runs, and what it says of the next."""

import numpy as np
import pytest

from cells.electrochemistry.current_efficiency import (
    HOUSE_PRIOR,
    CurrentEfficiency,
    HousePrior,
    current_efficiency,
    efficiency_prior,
)
from config.refusals import InvalidError


def test_efficiency_is_crystal_over_faraday():
    run = current_efficiency(1950.0, 0.5, 500.0, 5.0)
    assert run.value == pytest.approx(1950.0 / (4.02471 * 500.0), rel=1e-5)
    assert run.u_value == pytest.approx(run.value * np.hypot(0.5 / 1950, 0.01))


def test_no_history_gives_the_house_prior():
    prior = efficiency_prior([])
    assert (prior.mean, prior.u_mean) == (pytest.approx(0.97), pytest.approx(0.02))
    assert prior.u_next_run == pytest.approx(np.hypot(0.02, 0.01))
    assert (prior.own_weight, prior.runs) == (0.0, 0)


def test_one_exact_run_moves_the_mean_by_its_share_of_the_precision():
    house = HousePrior(mean=0.97, sd_between_cells=0.02, sd_between_runs=0.02)
    prior = efficiency_prior([CurrentEfficiency(0.93, 0.0)], house)
    assert prior.mean == pytest.approx(0.95)
    assert prior.own_weight == pytest.approx(0.5)


def test_long_history_outweighs_the_house_but_the_next_run_still_spreads():
    prior = efficiency_prior([CurrentEfficiency(0.92, 0.005)] * 200)
    assert prior.mean == pytest.approx(0.92, abs=5e-4)
    assert prior.own_weight > 0.99
    assert prior.u_next_run > HOUSE_PRIOR.sd_between_runs


def test_doubtful_run_weighs_less():
    sure = efficiency_prior([CurrentEfficiency(0.90, 0.002)])
    doubtful = efficiency_prior([CurrentEfficiency(0.90, 0.05)])
    assert sure.mean < doubtful.mean < 0.97


@pytest.mark.parametrize(
    ("arguments", "code", "field"),
    [
        ((1.0, 0.0, 0.0, 0.0), "too_small", "charge_ah"),
        ((-1.0, 0.0, 1.0, 0.0), "too_small", "crystal_g"),
        ((1.0, float("nan"), 1.0, 0.0), "not_a_number", "u_crystal_g"),
    ],
)
def test_impossible_run_is_refused(arguments, code, field):
    with pytest.raises(InvalidError) as refusal:
        current_efficiency(*arguments)
    assert (refusal.value.code, refusal.value.field) == (code, field)


def test_house_without_spread_is_refused():
    with pytest.raises(InvalidError) as refusal:
        HousePrior(sd_between_runs=0.0)
    assert (refusal.value.code, refusal.value.field) == ("too_small", "house.sd_between_runs")
