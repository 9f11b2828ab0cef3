"""Invented months at random: truth reconciles to itself, noise stays within its level."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reports.statistics.equations import solve
from reports.statistics.month_network import MonthNetwork
from reports.statistics.suspects import find_suspects
from tests.month_simulator import SimulatedMonth, simulate


@settings(max_examples=12, deadline=None)
@given(seed=st.integers(0, 10_000), runs=st.integers(1, 4))
def test_true_readings_reconcile_to_themselves(seed: int, runs: int) -> None:
    month = SimulatedMonth(np.random.default_rng(seed), noise=0.0)
    simulate(month, runs)
    equations = MonthNetwork(month.events).equations
    solution = solve(equations)
    assert solution.linear.statistic == pytest.approx(0, abs=1e-9)
    assert not find_suspects(solution.linear).suspects
    for name in month.measured:
        estimate = solution.estimates[equations.numbers[name]]
        assert estimate == pytest.approx(month.true[name], rel=1e-9)


@settings(max_examples=10, deadline=None)
@given(seed=st.integers(0, 10_000), runs=st.integers(1, 3))
def test_noisy_months_keep_every_product_and_every_balance(seed: int, runs: int) -> None:
    month = SimulatedMonth(np.random.default_rng(seed))
    simulate(month, runs)
    equations = MonthNetwork(month.events).equations
    solution = solve(equations)
    assert solution.converged
    x = solution.estimates
    for result, first, second in equations.products:
        if not np.isnan(x[[result, first, second]]).any():
            assert x[result] == pytest.approx(x[first] * x[second], rel=1e-8, abs=1e-9)
    for _, terms in equations.balances:
        if not np.isnan(x[list(terms)]).any():
            size = max(abs(f * x[n]) for n, f in terms.items())
            assert sum(f * x[n] for n, f in terms.items()) == pytest.approx(0, abs=1e-8 * size)
    sd_before = np.array([figure.u for figure in equations.readings.values()])
    assert np.all(solution.sd[list(equations.readings)] <= sd_before * (1 + 1e-9))


@settings(max_examples=10, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    run=st.integers(0, 1),
    off=st.sampled_from([-3000.0, -600.0, 900.0, 2400.0]),
)
def test_a_harvest_misread_by_a_hundred_grams_is_never_missed(
    seed: int, run: int, off: float
) -> None:
    """600 of its own standard uncertainties are 100 g: many times what a run leaves open."""
    wrong = f"crystal {run}"
    month = SimulatedMonth(np.random.default_rng(seed), wrong=wrong, sigmas=off)
    simulate(month, 2)
    # Without the count, or that would be as likely to be wrong as the weighing.
    events = [each for each in month.events if getattr(each, "lot", "") != wrong]
    equations = MonthNetwork(events).equations
    solution = solve(equations)
    (suspect, *_) = find_suspects(solution.linear, suspects_max=1).suspects
    candidates = [suspect.index, *(n for n, _ in suspect.equivalent), *suspect.rivals]
    assert equations.numbers[wrong] in candidates
    number = equations.numbers[wrong]
    without = solve(equations, {number})
    assert not find_suspects(without.linear, alpha=0.001).suspects
    assert without.estimates[number] == pytest.approx(month.true[wrong], abs=5 * without.sd[number])
