"""The forecast: amounts worked by hand, honest silence, and the interval's coverage."""

import datetime
from dataclasses import replace

import numpy as np
import pytest

from cells.electrochemistry.electrolysis import AnodeComposition, anode_consumed_g_per_ah
from cells.electrochemistry.electrolyte_state import Estimate
from cells.electrochemistry.forecast import ForecastRules, RunSoFar, forecast_run, forecast_runs
from config.refusals import InvalidError

AS_OF = datetime.datetime(2026, 3, 2, 8, 0, tzinfo=datetime.UTC)
HOURS = np.linspace(0.0, 100.0, 21)
ALLOY = AnodeComposition(silver=0.925, copper=0.075)


def _run(**changes):
    run = RunSoFar(
        as_of=AS_OF,
        hours=HOURS,
        current_a=np.full(21, 1.0),
        anode=AnodeComposition(silver=1.0),
        anode_g=Estimate(1300.0),
        charge_ah=Estimate(100.0),
        silver_g=Estimate(600.0),
        copper_g=Estimate(100.0),
        volume_l=Estimate(10.0),
    )
    return replace(run, **changes)


def test_one_ampere_for_thirteen_days_gives_1300_g():
    # Common practice, no source: about an ampere for about thirteen days gives about 1.3 kg.
    # By Faraday's law 1300 g / 4.02471 g/Ah = 323.0 Ah: 13.5 days at one ampere.
    forecast = forecast_run(_run())
    assert forecast.state == "forecast"
    assert forecast.model == "constant"
    assert forecast.harvest_g.value == pytest.approx(1300.0)
    assert forecast.exhausted.hours == pytest.approx(1300 / 4.02471 - 100, rel=1e-5)
    assert (100 + forecast.exhausted.hours) / 24 == pytest.approx(13.5, abs=0.1)
    assert forecast.exhausted.at == AS_OF + datetime.timedelta(hours=forecast.exhausted.hours)


def test_copper_and_silver_at_exhaustion_by_charge_balance():
    # 1000 g of 925/75 alloy gives 75 g copper, which takes 75 x 3.3950 = 254.6 g silver out of the
    # electrolyte. Nothing has passed yet when the charge is zero.
    run = _run(anode=ALLOY, anode_g=Estimate(1000.0), charge_ah=Estimate(0.0))
    forecast = forecast_run(run)
    assert forecast.copper_g_per_l.value == pytest.approx(17.5)
    assert forecast.silver_g_per_l.value == pytest.approx(
        (600 - 75 * 2 * 107.8682 / 63.546) / 10, rel=1e-6
    )
    assert forecast.harvest_g.value == pytest.approx(925 + 75 * 3.39496, rel=1e-5)


def test_copper_limit_is_dated_when_it_comes_within_the_run():
    run = _run(
        anode=ALLOY,
        anode_g=Estimate(1000.0),
        charge_ah=Estimate(0.0),
        copper_g=Estimate(585.0),
    )
    forecast = forecast_run(run)
    # 15 g of copper, a fifth of the anode's, until 60 g/L in 10 L: a fifth of the hours.
    assert forecast.copper_limit.hours == pytest.approx(forecast.exhausted.hours / 5)
    assert forecast.copper_limit.probability == 1.0


def test_silver_minimum_is_dated_when_it_comes_within_the_run():
    run = _run(anode=ALLOY, anode_g=Estimate(1000.0), charge_ah=Estimate(0.0))
    forecast = forecast_run(replace(run, silver_min_g_per_l=60 - 25.4622 / 4))
    assert forecast.silver_min.hours == pytest.approx(forecast.exhausted.hours / 4, rel=1e-4)


def test_limits_beyond_this_run_have_no_date():
    forecast = forecast_run(_run())
    for event in (forecast.copper_limit, forecast.silver_min):
        assert (event.hours, event.at, event.probability) == (None, None, 0.0)


def test_limit_passed_already_is_due_now():
    forecast = forecast_run(_run(copper_g=Estimate(700.0)))
    assert forecast.copper_limit.hours == 0.0
    assert forecast.copper_limit.at == AS_OF


def test_exhausted_already_says_so():
    forecast = forecast_run(_run(charge_ah=Estimate(400.0)))
    assert forecast.exhausted.hours == 0.0
    assert "already" in forecast.reason


def test_silver_used_up_before_the_anode_is_said():
    run = _run(anode=ALLOY, anode_g=Estimate(1000.0), silver_g=Estimate(100.0))
    forecast = forecast_run(run)
    assert "silver is used up" in forecast.reason
    assert forecast.silver_g_per_l.value == 0.0


def test_current_that_dies_has_no_date_and_says_so():
    # 2 A falling by 0.095 A each hour ends at 21.05 h with 21.05 Ah passed in all: 1 Ah is left to
    # come, and the anode needs 24 Ah more.
    hours = np.linspace(0.0, 20.0, 21)
    run = _run(hours=hours, current_a=2.0 - 0.095 * hours, anode_g=Estimate(500.0))
    forecast = forecast_run(run)
    assert forecast.model == "linear_time"
    assert "dies away" in forecast.reason
    assert (forecast.exhausted.hours, forecast.exhausted.at) == (None, None)
    assert forecast.exhausted.probability == 0.0


def test_the_trend_named_is_the_best_by_which_the_anode_is_exhausted():
    # A straight fall foretells its own past best; by it 9.9 Ah are to come, and 11.8 are needed.
    hours = np.linspace(0.0, 20.0, 21)
    wobble = np.where(np.arange(21) % 2, 0.15, -0.15)
    run = _run(hours=hours, current_a=2.0 - 0.05 * hours + wobble, anode_g=Estimate(450.0))
    forecast = forecast_run(run)
    assert min(forecast.scores, key=forecast.scores.get) == "linear_time"
    assert forecast.model == "exponential_charge"
    assert forecast.exhausted.hours > 11.8
    assert forecast.reason == ""


def test_uncertain_charge_widens_the_interval():
    sure = forecast_run(_run()).exhausted
    unsure = forecast_run(_run(charge_ah=Estimate(100.0, 5.0))).exhausted
    assert sure.hours_low == pytest.approx(sure.hours, rel=1e-6)
    # 5 Ah at one ampere are 5 h, 1.96 times either way.
    assert unsure.hours - unsure.hours_low == pytest.approx(9.8, abs=0.4)
    assert unsure.hours_high - unsure.hours == pytest.approx(9.8, abs=0.4)


def test_efficiency_slows_the_run_and_leaves_the_harvest():
    full = forecast_run(_run(charge_ah=Estimate(0.0)))
    less = forecast_run(_run(charge_ah=Estimate(0.0), efficiency=Estimate(0.95)))
    assert less.exhausted.hours == pytest.approx(full.exhausted.hours / 0.95)
    assert less.harvest_g.value == pytest.approx(full.harvest_g.value)


@pytest.mark.parametrize(
    ("hours", "says"),
    [
        (np.arange(0.0, 35.0, 5.0), "7 readings"),
        (np.linspace(0.0, 2.0, 20), "2.0 h under current"),
        (np.linspace(0.0, 8.0, 20), "too far"),
    ],
)
def test_too_few_readings_is_an_answer_with_a_reason(hours, says):
    forecast = forecast_run(_run(hours=hours, current_a=np.full(hours.size, 1.0)))
    assert forecast.state == "too_few_readings"
    assert says in forecast.reason
    assert forecast.exhausted is None
    assert forecast.model is None


def test_rules_are_the_users_own():
    rules = ForecastRules(readings_min=30)
    assert forecast_run(_run(), rules).state == "too_few_readings"


def test_fewer_readings_than_a_trend_can_be_tried_on_are_too_few_whatever_the_rules():
    hours = np.array([0.0, 30.0, 60.0, 90.0])
    rules = ForecastRules(readings_min=1)
    few = forecast_run(_run(hours=hours, current_a=np.full(4, 1.0)), rules)
    assert few.reason == "4 readings under current; a forecast needs 5."
    enough = _run(hours=np.append(hours, 120.0), current_a=np.full(5, 1.0))
    assert forecast_run(enough, rules).state == "forecast"


def test_readings_over_just_the_time_asked_for_are_enough():
    hours = np.linspace(0.0, 6.0, 20)
    run = _run(hours=hours, current_a=np.full(20, 1.0), charge_ah=Estimate(300.0))
    assert forecast_run(run).state == "forecast"


def test_forecasts_come_in_the_order_of_the_runs():
    one, two = forecast_runs([_run(), _run(anode_g=Estimate(900.0))])
    assert one == forecast_run(_run())
    assert two.harvest_g.value == pytest.approx(900.0)


@pytest.mark.parametrize(
    ("changes", "code", "field"),
    [
        ({"as_of": datetime.datetime(2026, 3, 2)}, "naive_time", "as_of"),
        ({"anode_g": Estimate(0.0)}, "too_small", "anode_g"),
        ({"efficiency": Estimate(1.2)}, "too_large", "efficiency"),
        ({"efficiency": Estimate(0.0)}, "too_small", "efficiency"),
        ({"volume_l": Estimate(0.0)}, "too_small", "volume_l"),
        ({"copper_limit_g_per_l": 0.0}, "too_small", "copper_limit_g_per_l"),
    ],
)
def test_impossible_runs_are_refused(changes, code, field):
    with pytest.raises(InvalidError) as refusal:
        forecast_run(_run(**changes))
    assert (refusal.value.code, refusal.value.field) == (code, field)


def _simulate(generator):
    """A run at constant voltage through thickening slimes, in steps of a quarter hour."""
    whole_ah = 1500.0 / anode_consumed_g_per_ah(ALLOY)
    start_a = generator.uniform(1.5, 3.0)
    thickening = generator.uniform(0.2, 1.5) / whole_ah
    hours, charge, wander = [0.0], [0.0], 0.0
    current = [start_a]
    while charge[-1] < whole_ah:
        wander = 0.98 * wander + 0.004 * generator.normal()
        current.append(start_a / (1.0 + thickening * charge[-1]) * (1.0 + wander))
        hours.append(hours[-1] + 0.25)
        charge.append(charge[-1] + 0.25 * current[-1])
    now = float(np.interp(0.5 * whole_ah, charge, hours))
    seen = np.concatenate(([0.0], np.sort(generator.uniform(0.0, now, 28)), [now]))
    noisy = np.interp(seen, hours, current) * (1.0 + 0.02 * generator.normal(size=30))
    return seen, noisy, 0.5 * whole_ah, hours[-1] - now


def test_interval_holds_the_truth_in_about_95_of_100_seeded_runs():
    generator = np.random.default_rng(20260302)
    held = 0
    for _ in range(80):
        hours, current, charge, truth = _simulate(generator)
        run = _run(
            hours=hours,
            current_a=current,
            anode=ALLOY,
            anode_g=Estimate(1500.0),
            charge_ah=Estimate(charge * (1 + 0.005 * generator.normal()), 0.005 * charge),
        )
        event = forecast_run(run).exhausted
        held += event.hours_low <= truth <= (event.hours_high or np.inf)
    # 76 expected of 80 at 95 %; fewer than 71 has a chance below 1.5 %.
    assert held >= 71
