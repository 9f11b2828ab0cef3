"""The current's trend: each model finds its own curve, and closed forms undo one another."""

import numpy as np
import pytest

from cells.electrochemistry.current_trend import (
    BLOCKS_MAX,
    MODEL_BY_NAME,
    MODELS,
    block_readings,
    fit_trends,
)
from config.refusals import InvalidError

HOURS = np.linspace(0.0, 48.0, 25)


def _resistance(hours):
    # At constant voltage 1/I = 0.5 + 0.01 q, so 0.5 q + 0.005 q^2 = t.
    charge = (-0.5 + np.sqrt(0.25 + 0.02 * hours)) / 0.01
    return 1.0 / (0.5 + 0.01 * charge)


@pytest.mark.parametrize(
    ("name", "current"),
    [
        ("constant", np.full(25, 2.0)),
        ("linear_time", 2.0 - 0.02 * HOURS),
        # I = 2 exp(-0.01 q) means dq/dt = 2 exp(-0.01 q), so exp(0.01 q) = 1 + 0.02 t.
        ("exponential_charge", 2.0 / (1.0 + 0.02 * HOURS)),
        ("slimes_resistance", _resistance(HOURS)),
    ],
)
def test_model_that_made_the_curve_is_chosen(name, current):
    best = fit_trends(block_readings(HOURS, current))[0]
    assert best.model == name
    assert set(best.scores) == {model.name for model in MODELS}
    assert best.scores[name] == min(best.scores.values()) < 0.001


def test_line_is_fitted_at_the_last_reading():
    trend = fit_trends(block_readings(HOURS, 2.0 - 0.02 * HOURS))[0]
    assert trend.now == pytest.approx(1.04)
    assert trend.slope == pytest.approx(-0.02)


@pytest.mark.parametrize("name", ["linear_time", "exponential_charge", "slimes_resistance"])
def test_line_and_its_covariance_are_those_of_least_squares(name):
    """Against numpy's polyfit, whose matrix is scaled by residuals over degrees of freedom."""
    blocks = block_readings(HOURS, 2.0 - 0.01 * HOURS + 0.03 * np.cos(2.5 * HOURS))
    trend = next(each for each in fit_trends(blocks) if each.model == name)
    axis = blocks.hours if MODEL_BY_NAME[name].axis == "hours" else blocks.charge_ah
    line = MODEL_BY_NAME[name].to_line(blocks.current_a)
    (slope, now), spread = np.polyfit(axis - axis[-1], line, 1, cov=True)
    assert (trend.slope, trend.now) == pytest.approx((slope, now))
    found = [[trend.var_slope, trend.covariance], [trend.covariance, trend.var_now]]
    assert np.array(found) == pytest.approx(spread)
    assert trend.degrees == 23


def test_level_current_is_as_sure_as_a_mean():
    current = 2.0 + 0.01 * np.cos(3.0 * HOURS)
    trend = next(e for e in fit_trends(block_readings(HOURS, current)) if e.model == "constant")
    assert (trend.slope, trend.var_slope, trend.covariance, trend.degrees) == (0, 0, 0, 24)
    assert trend.now == pytest.approx(current.mean())
    assert trend.var_now == pytest.approx(current.var(ddof=1) / 25)


def test_a_score_is_the_error_of_forecasts_from_each_origin():
    """Six hourly readings of 2 A, the last of 1 A, by hand.

    From the fourth the level model foretells 2 and 4 Ah where 2 and 3.5 pass, from the fifth 2
    where 1.5 pass: mean currents wrong by 0, 0.25 and 0.5 A, over 1, 2 and 1 h.
    """
    blocks = block_readings(np.arange(6.0), [2.0, 2.0, 2.0, 2.0, 2.0, 1.0])
    trends = fit_trends(blocks)
    mean_square = ((0 + 0.25**2) / 2 + 0.5**2) / 2
    assert trends[0].scores["constant"] == pytest.approx(mean_square**0.5 / (11 / 6))
    assert trends[0].error_hours == pytest.approx((((1 + 2**2) / 2 + 1) / 2) ** 0.5)


@pytest.mark.parametrize("model", MODELS, ids=lambda model: model.name)
def test_hours_to_a_charge_undo_the_charge_of_hours(model):
    now = model.to_line(np.array([0.5]))
    slope = np.array([0.004 * model.slope_sign])
    charge = model.ahead_ah(now, slope, np.array([20.0]))
    assert model.hours_to(now, slope, charge) == pytest.approx(20.0)


def test_linear_current_that_ends_never_passes_more():
    model = MODEL_BY_NAME["linear_time"]
    now, slope = np.array([1.0]), np.array([-0.1])
    # A triangle of 10 h by 1 A holds 5 Ah.
    assert model.ahead_ah(now, slope, np.array([99.0])) == pytest.approx(5.0)
    assert np.isinf(model.hours_to(now, slope, np.array([5.1])))


def test_power_cut_takes_no_time_and_no_charge():
    hours = [0.0, 1.0, 1.1, 5.0, 5.1, 6.1]
    blocks = block_readings(hours, [2.0, 2.0, 0.0, 0.0, 2.0, 2.0])
    assert blocks.live_hours == pytest.approx(2.0)
    assert blocks.charge_ah[-1] == pytest.approx(4.0)
    assert blocks.readings == 4


def test_many_readings_are_averaged_into_blocks():
    hours = np.arange(0.0, 100.0, 1 / 60)
    blocks = block_readings(hours, 2.0 - 0.01 * hours)
    assert blocks.hours.size == BLOCKS_MAX
    assert blocks.readings == hours.size
    assert blocks.current_a == pytest.approx(2.0 - 0.01 * blocks.hours)


def test_rising_current_is_forecast_level():
    trends = fit_trends(block_readings(HOURS, 1.0 + 0.01 * HOURS))
    assert all(trend.slope == 0.0 for trend in trends)
    assert trends[0].scores["linear_time"] == trends[0].scores["constant"]


def test_no_forecast_from_too_few_blocks():
    with pytest.raises(ValueError, match="too few"):
        fit_trends(block_readings([0, 1, 2, 3], [1, 1, 1, 1]))


@pytest.mark.parametrize(
    ("hours", "current", "code", "field"),
    [
        ([0, 1], [1], "lengths_differ", "current_a"),
        ([0, float("nan")], [1, 1], "not_a_number", "hours"),
        ([0, 1], [1, float("inf")], "not_a_number", "current_a"),
        ([0, 0], [1, 1], "not_increasing", "hours"),
        ([0, 1], [1, -1], "too_small", "current_a"),
    ],
)
def test_readings_are_refused(hours, current, code, field):
    with pytest.raises(InvalidError) as refusal:
        block_readings(hours, current)
    assert (refusal.value.code, refusal.value.field) == (code, field)


def test_no_readings_are_no_blocks():
    assert block_readings([], []).readings == 0
