"""Best estimates of a small month, and the engine's edges."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.sparse import csr_array

from config.refusals import InvalidError
from reports.statistics import constrained_fit
from reports.statistics import reconcile as module
from reports.statistics.covariance import factor_from_covariance, factor_from_sd
from reports.statistics.reconcile import reconcile

LINE = csr_array([[1.0, -1.0, 0.0], [0.0, 1.0, -1.0]])


@pytest.fixture(params=["orthogonal", "sparse"])
def engine(request, monkeypatch):
    if request.param == "sparse":
        monkeypatch.setattr(constrained_fit, "DENSE_CELLS_MAX", -1)
    return request.param


def solve(values, sd, **more):
    return reconcile(LINE, np.zeros(2), np.array(values), factor_from_sd(np.array(sd)), **more)


def test_a_plain_month(engine):
    """Three weighings of one lot along its way: the estimate is their weighted mean."""
    result = solve([100.0, 103.0, 101.0], [1.0, 2.0, 1.0])
    mean = (100 + 103 / 4 + 101) / 2.25
    assert np.allclose(result.reconciled, mean)
    assert np.allclose(result.adjustment, mean - np.array([100.0, 103.0, 101.0]))
    assert np.allclose(result.sd_after, 1 / 1.5)
    assert result.sd_before.tolist() == [1, 2, 1]
    assert result.residuals.tolist() == [-3, 2]
    assert result.dof == 2


def test_a_fixed_target_shifts_a_balance(engine):
    result = reconcile(
        csr_array([[1.0, -1.0]]), np.array([5.0]), np.array([10.0, 4.0]), factor_from_sd(np.ones(2))
    )
    assert np.allclose(result.reconciled, [9.5, 4.5])
    assert result.residuals.tolist() == result.check_residuals.tolist() == [1]


def test_exact_figures_are_held_to_a_fixed_target(engine):
    matrix, target, exact = csr_array([[1.0, -1.0]]), np.array([5.0]), factor_from_sd(np.zeros(2))
    assert reconcile(matrix, target, np.array([9.0, 4.0]), exact).reconciled.tolist() == [9, 4]
    with pytest.raises(InvalidError) as caught:
        reconcile(matrix, target, np.array([10.0, 4.0]), exact)
    assert (caught.value.code, caught.value.field) == ("contradiction", "measurements")


def test_an_exact_figure_is_not_moved(engine):
    result = solve([100.0, 103.0, 101.0], [0.0, 2.0, 1.0])
    assert np.allclose(result.reconciled, 100)
    assert np.allclose(result.sd_after, 0, atol=1e-7)


def test_figures_that_move_only_together_are_reconciled(engine):
    """One shared error, no other: the covariance is singular and the pair keeps its difference."""
    factor = csr_array([[2.0, 0.0], [2.0, 0.0], [0.0, 1.0]])
    matrix = csr_array([[1.0, 1.0, -1.0]])
    result = reconcile(matrix, np.zeros(1), np.array([10.0, 20.0, 31.0]), factor)
    # r = -1, S = 16 + 1: the shared error takes 4 / 17 and lifts both alike.
    assert result.reconciled == pytest.approx([10 + 8 / 17, 20 + 8 / 17, 31 - 1 / 17])
    assert result.statistic == pytest.approx(1 / 17)


def test_figures_that_move_only_together_cannot_break_their_difference(engine):
    factor = csr_array([[2.0], [2.0]])
    with pytest.raises(InvalidError) as caught:
        reconcile(csr_array([[1.0, -1.0]]), np.zeros(1), np.array([10.0, 20.0]), factor)
    assert (caught.value.code, caught.value.field) == ("contradiction", "measurements")


def test_a_repeated_balance_changes_nothing(engine):
    twice = csr_array([[1.0, -1.0, 0.0], [0.0, 1.0, -1.0], [1.0, 0.0, -1.0]])
    values, factor = np.array([100.0, 103.0, 101.0]), factor_from_sd(np.array([1.0, 2.0, 1.0]))
    result = reconcile(twice, np.zeros(3), values, factor)
    assert result.dof == 2
    assert np.allclose(result.reconciled, solve(values, [1.0, 2.0, 1.0]).reconciled)


def test_no_balance_and_no_redundancy_leave_the_figures_alone(engine):
    result = solve([100.0, np.nan, np.nan], [1.0, 0.0, 0.0])
    assert result.dof == 0
    assert result.p_value == 1.0
    assert result.reconciled.tolist() == [100, 100, 100]
    assert np.allclose(result.sd_after, 1)


def test_a_bound_is_held_and_named(engine):
    matrix = csr_array([[1.0, -1.0, -1.0]])
    values, factor = np.array([10.0, 12.0, -3.0]), factor_from_sd(np.array([2.0, 2.0, 1.0]))
    free = reconcile(matrix, np.zeros(1), values, factor)
    held = reconcile(matrix, np.zeros(1), values, factor, lower=np.zeros(3))
    assert free.reconciled[2] < 0
    assert held.at_bound == (2,)
    assert np.allclose(held.reconciled, [11, 11, 0])
    assert np.allclose(held.adjustment, [1, -1, 3])
    assert held.converged
    assert held.statistic == free.statistic


def test_a_figure_held_too_early_is_let_go_again(engine):
    """Stream 2 falls below zero at first and rises once streams 3 and 4 are held."""
    matrix = csr_array([[0.0, 0, 0, -1, 1, -1], [0, -1, 1, 1, 1, 1]])
    values = np.array([5.0, -3, -4, -4, 3, 5])
    held = reconcile(matrix, np.zeros(2), values, factor_from_sd(np.ones(6)), lower=np.zeros(6))
    # With x3 = x4 = 0 the balances leave x5 = x6 = a, x2 = 2 a; least squares gives a = 1 / 3.
    assert held.at_bound == (2, 3)
    assert np.allclose(held.reconciled, [5, 2 / 3, 0, 0, 1 / 3, 1 / 3])


@pytest.mark.parametrize(("target", "expected"), [(0.0, [11, 11, 0]), (2.0, [12, 10, 0])])
def test_an_unmeasured_figure_is_bounded_too(engine, target, expected):
    matrix = csr_array([[1.0, -1.0, -1.0]])
    values, factor = np.array([10.0, 12.0, np.nan]), factor_from_sd(np.array([1.0, 1.0, 0.0]))
    lower = np.array([-np.inf, -np.inf, 0.0])
    held = reconcile(matrix, np.array([target]), values, factor, lower=lower)
    assert np.allclose(held.reconciled, expected)
    assert held.at_bound == (2,)


def test_bounds_that_are_not_settled_in_time_are_told(monkeypatch):
    readings = ([-3.0, 3.0, 3.0], [1.0, 1.0, 1.0])
    assert solve(*readings, lower=np.full(3, 1.5)).converged
    monkeypatch.setattr(module, "BLOCK_STEPS_MAX", 1)
    monkeypatch.setattr(module, "SINGLE_STEPS_MAX", 0)
    assert not solve(*readings, lower=np.full(3, 1.5)).converged


def test_an_exact_figure_below_its_bound_is_refused(engine):
    with pytest.raises(InvalidError) as caught:
        solve([-1.0, 1.0, 1.0], [0.0, 1.0, 1.0], lower=np.zeros(3))
    assert (caught.value.code, caught.value.field) == ("below_bound", "measurements")


def test_balances_that_contradict_each_other_are_refused():
    matrix = csr_array([[0.0, 1.0], [0.0, 2.0]])
    with pytest.raises(InvalidError) as caught:
        reconcile(matrix, np.array([1.0, 3.0]), np.array([1.0, np.nan]), factor_from_sd(np.ones(2)))
    assert (caught.value.code, caught.value.field) == ("contradiction", "constraints")


def test_a_covariance_that_cannot_be_is_refused():
    with pytest.raises(InvalidError) as caught:
        factor_from_covariance(csr_array([[1.0, 2.0], [2.0, 1.0]]))
    assert (caught.value.code, caught.value.field) == ("not_psd", "covariances")


def test_a_factor_gives_its_covariance_back():
    generator = np.random.default_rng(3)
    part = generator.standard_normal((4, 2))
    covariance = np.zeros((7, 7))
    covariance[:4, :4] = part @ part.T
    covariance[5, 5] = 2.0
    factor = factor_from_covariance(csr_array(covariance))
    assert np.allclose((factor @ factor.T).toarray(), covariance)


def test_both_engines_agree_on_a_few_hundred_streams(monkeypatch):
    generator = np.random.default_rng(11)
    nodes, streams = 120, 300
    matrix = np.zeros((nodes, streams))
    for column in range(streams):
        start, end = generator.choice(nodes + 1, size=2, replace=False)
        for node, sign in ((start, -1), (end, 1)):
            if node < nodes:
                matrix[node, column] = sign
    sd = 10 ** generator.uniform(-3, 2, streams)
    values = np.where(generator.random(streams) < 0.8, generator.normal(0, 1, streams) * sd, np.nan)
    shared = csr_array(np.column_stack([np.diag(sd), 0.3 * sd]))
    arguments = (csr_array(matrix), np.zeros(nodes), values, shared)
    dense = reconcile(*arguments)
    monkeypatch.setattr(constrained_fit, "DENSE_CELLS_MAX", -1)
    sparse = reconcile(*arguments)
    assert sparse.dof == dense.dof
    scale = np.where(np.isnan(values), 1.0, sd)
    gap = np.abs(sparse.reconciled - dense.reconciled) / scale
    assert np.nanmax(gap) < 1e-8
    assert sparse.statistic == pytest.approx(dense.statistic, rel=1e-9)
    gap = np.abs(sparse.sd_after**2 - dense.sd_after**2) / scale**2
    assert np.nanmax(gap) < 1e-6
