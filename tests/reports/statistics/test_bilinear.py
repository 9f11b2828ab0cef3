"""Mass and grade together: a sampled separation of feed into product and rest."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize, root
from scipy.sparse import csr_array

from config.refusals import InvalidError
from reports.statistics.bilinear import _Problem, _step_length, reconcile_bilinear
from reports.statistics.covariance import factor_from_sd

NODE = csr_array([[1.0, -1.0, -1.0]])


def general_solution(incidence, measured, covariance, start):
    """The same optimum by general solvers: a constrained one, polished by a root finder.

    The constrained solver stops at about 1e-6; the root of the optimum's own conditions
    (gradient of fit plus multipliers times balances is zero, and the balances hold) is sharper.
    """
    a = incidence.toarray()
    streams = a.shape[1]
    metals = len(measured) // streams - 1
    scale = np.sqrt(np.diag(covariance))
    inverse = np.linalg.inv(covariance / np.outer(scale, scale))
    size = np.tile(np.abs(a) @ np.abs(measured[:streams]), metals + 1)

    def parts(z):
        x = measured + scale * z
        return x[:streams], x[streams:].reshape(metals, streams)

    def balances(z):
        mass, grades = parts(z)
        return np.concatenate([a @ mass, *(a @ (mass * g) for g in grades)]) / size

    def slopes(z):
        mass, grades = parts(z)
        rows = np.zeros((len(size), len(z)))
        rows[: len(a), :streams] = a
        for k, grade in enumerate(grades):
            block = slice((k + 1) * len(a), (k + 2) * len(a))
            rows[block, :streams] = a * grade
            rows[block, (k + 1) * streams : (k + 2) * streams] = a * mass
        return rows * scale / size[:, None]

    answer = minimize(
        lambda z: z @ inverse @ z,
        (start - measured) / scale,
        jac=lambda z: 2 * inverse @ z,
        constraints=[{"type": "eq", "fun": balances, "jac": slopes}],
        method="SLSQP",
        options={"ftol": 1e-15, "maxiter": 500},
    )
    near = answer.x
    multipliers = np.linalg.lstsq(slopes(near).T, -2 * inverse @ near, rcond=None)[0]

    def conditions(both):
        z, pull = both[: len(near)], both[len(near) :]
        return np.concatenate([2 * inverse @ z + slopes(z).T @ pull, balances(z)])

    sharp = root(conditions, np.concatenate([near, multipliers]), tol=1e-14)
    assert np.abs(conditions(sharp.x)).max() < 1e-10, sharp.message
    return measured + scale * sharp.x[: len(near)]


def test_a_separation_with_everything_measured():
    masses = np.array([1000.0, 310.0, 700.0])
    grades = np.array([[0.101], [0.305], [0.0098]])
    measured = np.concatenate([masses, grades.T.ravel()])
    sd = np.array([5.0, 4.0, 6.0, 0.002, 0.004, 0.0005])
    found = reconcile_bilinear(NODE, masses, grades, factor_from_sd(sd))
    assert found.converged, found.message
    metal = found.masses * found.grades[:, 0]
    assert found.masses[0] == pytest.approx(found.masses[1:].sum(), rel=1e-12)
    assert metal[0] == pytest.approx(metal[1:].sum(), rel=1e-12)
    expected = general_solution(NODE, measured, np.diag(sd**2), measured)
    assert np.allclose(np.concatenate([found.masses, found.grades[:, 0]]), expected, rtol=1e-9)
    assert found.dof == 2
    assert np.all(found.mass_u < sd[:3])
    assert np.all(found.grade_u[:, 0] < sd[3:])


def test_the_two_product_formula_when_nothing_is_redundant():
    """f = 10, c = 30, t = 1 % gives C/F = (f - t) / (c - t): the two-product formula of the trade.

    The published exam figure is a recovery of 93.103 %.
    """
    masses = np.array([100.0, np.nan, np.nan])
    grades = np.array([[0.10], [0.30], [0.01]])
    sd = np.array([0.5, 0, 0, 0.001, 0.002, 0.0002])
    found = reconcile_bilinear(NODE, masses, grades, factor_from_sd(sd))
    assert found.converged, found.message
    assert found.dof == 0
    assert found.masses[1] == pytest.approx(100 * 0.09 / 0.29)
    recovery = 100 * found.masses[1] * 0.30 / (100.0 * 0.10)
    assert round(recovery, 3) == 93.103
    # Propagated by hand: the sensitivities of F (f - t) / (c - t).
    f, c, t = 0.10, 0.30, 0.01
    parts = [
        0.5 * (f - t) / (c - t),
        100 / (c - t) * 0.001,
        100 * (f - t) / (c - t) ** 2 * 0.002,
        100 * (f - c) / (c - t) ** 2 * 0.0002,
    ]
    assert found.mass_u[1] == pytest.approx(np.sqrt(np.square(parts).sum()))


def test_an_unmeasured_grade_is_found_and_an_unmeasured_pair_is_not():
    masses = np.array([1000.0, 300.0, np.nan])
    grades = np.array([[0.1, 0.5], [0.3, np.nan], [np.nan, np.nan]])
    sd = np.array([1.0, 1.0, 0, 0.001, 0.001, 0, 0.001, 0, 0])
    found = reconcile_bilinear(NODE, masses, grades, factor_from_sd(sd))
    assert found.converged, found.message
    assert found.grades[2, 0] == pytest.approx(10 / 700)
    assert np.isnan(found.grades[1:, 1]).all()
    assert found.grades[0, 1] == pytest.approx(0.5)


@pytest.mark.parametrize("seed", range(6))
def test_correlated_figures_agree_with_a_general_solver(seed):
    generator = np.random.default_rng(seed)
    incidence = csr_array([[1.0, -1, -1, 0, 0], [0, 0, 1, -1, -1]])
    mass = np.array([1000.0, 350, 650, 240, 410])
    grade = np.array([[0.0, 0.4, 0.0, 0.15, 0.02], [0.0, 0.1, 0.0, 0.3, 0.25]]).T
    for node, (out_a, out_b) in ((2, (3, 4)), (0, (1, 2))):
        grade[node] = (mass[out_a] * grade[out_a] + mass[out_b] * grade[out_b]) / mass[node]
    true = np.concatenate([mass, grade.T.ravel()])
    sd = 0.02 * true
    mix = np.eye(15) + 0.2 * generator.standard_normal((15, 15))
    factor = np.diag(sd) @ mix
    measured = true + factor @ generator.standard_normal(15)
    found = reconcile_bilinear(
        incidence, measured[:5], measured[5:].reshape(2, 5).T, csr_array(factor)
    )
    assert found.converged, found.message
    expected = general_solution(incidence, measured, factor @ factor.T, measured)
    answer = np.concatenate([found.masses, found.grades.T.ravel()])
    assert np.allclose(answer, expected, rtol=1e-9)


def test_a_step_that_overshoots_is_halved():
    """Newton's step on arctan from 3 lands at -9.5, farther off than it started."""
    problem = _Problem(
        balance=np.arctan,
        jacobian=lambda x: csr_array([[1 / (1 + x[0] ** 2)]]),
        terms=np.abs,
    )
    point = np.array([3.0])
    move = -np.arctan(point) * (1 + point**2)
    length = _step_length(problem, np.ones(1), (point, move), (np.zeros(1), np.zeros(1)))
    assert 0 < length < 1
    assert abs(problem.balance(point + length * move)[0]) < abs(problem.balance(point)[0])


def test_a_step_that_never_helps_is_refused():
    problem = _Problem(balance=np.abs, jacobian=lambda x: csr_array([[1.0]]), terms=np.abs)
    line = (np.array([1.0]), np.array([1.0]))
    assert _step_length(problem, np.ones(1), line, (np.zeros(1), np.zeros(1))) == 0.0


def test_a_hopeless_problem_says_so():
    """Exact grades that no masses above zero can bring together leave only the empty circuit."""
    masses = np.array([100.0, 60.0, 40.0])
    grades = np.array([[0.9], [0.1], [0.2]])
    sd = np.array([1.0, 1.0, 1.0, 1e-9, 1e-9, 1e-9])
    found = reconcile_bilinear(NODE, masses, grades, factor_from_sd(sd))
    assert not found.converged
    assert found.message == "not settled after 60 steps"
    assert found.statistic > 1000


def test_no_progress_is_reported_and_not_hidden(monkeypatch):
    monkeypatch.setattr("reports.statistics.bilinear.STEPS_MAX", 1)
    found = reconcile_bilinear(
        NODE,
        np.array([1000.0, 310.0, 700.0]),
        np.array([[0.101], [0.305], [0.0098]]),
        factor_from_sd(np.array([5.0, 4.0, 6.0, 0.002, 0.004, 0.0005])),
    )
    assert not found.converged
    assert found.message == "not settled after 1 steps"


def test_nothing_measured_is_refused():
    with pytest.raises(InvalidError) as caught:
        reconcile_bilinear(NODE, np.ones(3), np.full((3, 1), np.nan), factor_from_sd(np.ones(6)))
    assert (caught.value.code, caught.value.field) == ("nothing_measured", "grades")
