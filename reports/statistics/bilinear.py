"""What masses and grades agree with every balance, when metal is mass times grade?

Successive linearisation with a line search (Narasimhan and Jordache, Data Reconciliation and Gross
Error Detection, Gulf 2000, chapter 5; the chapter number is from memory): each step is a linear
reconciliation of the measurements to the balances linearised at the last estimate.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array, diags_array, hstack, vstack

from config.refusals import refuse
from reports.statistics.reconcile import Reconciliation, reconcile

Floats = NDArray[np.float64]

# A step this small against the figures' own sizes, with balances held this well against the terms
# in them, is convergence.
STEP_TOLERANCE: Final = 1e-10
BALANCE_TOLERANCE: Final = 1e-10
STEPS_MAX: Final = 60
HALVINGS_MAX: Final = 25
DESCENT: Final = 1e-4


@dataclass(frozen=True)
class Bilinear:
    """Reconciled masses (streams) and grades (streams x metals); NaN = cannot be known.

    Uncertainties and tests are those of the balances linearised at the solution, in `linear`, whose
    figures are all masses first and then the grades metal by metal. When `converged` is False the
    figures are the best reached, they do not satisfy the balances, and `message` says why.
    """

    masses: Floats
    grades: Floats
    mass_u: Floats
    grade_u: Floats
    statistic: float
    dof: int
    p_value: float
    converged: bool
    steps: int
    message: str
    linear: Reconciliation


@dataclass(frozen=True)
class _Problem:
    """c(x) = 0 and its Jacobian; `terms` is the size of what each balance adds up."""

    balance: Callable[[Floats], Floats]
    jacobian: Callable[[Floats], csr_array]
    terms: Callable[[Floats], Floats]


def reconcile_bilinear(
    incidence: csr_array,
    masses: Floats,
    grades: Floats,
    factor: csr_array,
    *,
    start_masses: Floats | None = None,
    start_grades: Floats | None = None,
) -> Bilinear:
    """Reconcile masses and grades so that mass and every metal balance at every node.

    `incidence` is nodes x streams (+1 in, -1 out); NaN marks what is not measured. `factor` has one
    row per figure, masses first and then the grades metal by metal, and gives their covariance.
    Grades may be in any unit (fractions, parts per thousand). `start_*` are first guesses of the
    unmeasured figures; by default the mean measured mass and that metal's mean grade. Raises
    InvalidError `nothing_measured`, and what `reconcile` refuses.
    """
    streams, metals = grades.shape
    measured = np.concatenate([masses, grades.T.ravel()])
    start = np.concatenate(
        [
            _start(masses, start_masses, "masses"),
            *(
                _start(grades[:, k], None if start_grades is None else start_grades[:, k], "grades")
                for k in range(metals)
            ),
        ]
    )
    problem = _metal_problem(csr_array(incidence).astype(np.float64), streams, metals)
    point, linear, steps, message = _iterate(problem, measured, factor, start)
    figures = np.where(np.isnan(linear.reconciled), np.nan, point)
    shape = (metals, streams)
    return Bilinear(
        masses=figures[:streams],
        grades=figures[streams:].reshape(shape).T,
        mass_u=linear.sd_after[:streams],
        grade_u=linear.sd_after[streams:].reshape(shape).T,
        statistic=linear.statistic,
        dof=linear.dof,
        p_value=linear.p_value,
        converged=not message,
        steps=steps,
        message=message,
        linear=linear,
    )


def _start(values: Floats, guess: Floats | None, field: str) -> Floats:
    missing = np.isnan(values)
    if missing.all() and guess is None:
        raise refuse("nothing_measured:bilinear", field=field)
    fill = np.full(len(values), np.nanmean(values)) if guess is None else guess
    return np.where(missing, fill, values)


def _metal_problem(incidence: csr_array, streams: int, metals: int) -> _Problem:
    size = abs(incidence)
    none = csr_array(incidence.shape)

    def parts(x: Floats) -> tuple[Floats, list[Floats]]:
        grades = x[streams:].reshape(metals, streams)
        return x[:streams], list(grades)

    def balance(x: Floats) -> Floats:
        mass, grades = parts(x)
        return np.concatenate([incidence @ mass, *(incidence @ (mass * g) for g in grades)])

    def terms(x: Floats) -> Floats:
        mass, grades = parts(np.abs(x))
        return np.concatenate([size @ mass, *(size @ (mass * g) for g in grades)])

    def jacobian(x: Floats) -> csr_array:
        mass, grades = parts(x)
        by_mass = csr_array(incidence @ diags_array(mass))
        rows = [hstack([incidence, *([none] * metals)])]
        for k, grade in enumerate(grades):
            blocks = [none] * metals
            blocks[k] = by_mass
            rows.append(hstack([csr_array(incidence @ diags_array(grade)), *blocks]))
        return csr_array(vstack(rows))

    return _Problem(balance, jacobian, terms)


def _iterate(
    problem: _Problem, measured: Floats, factor: csr_array, start: Floats
) -> tuple[Floats, Reconciliation, int, str]:
    """The last point, the reconciliation linearised there, the steps taken, why it failed if so.

    The measured part of every point is y + F z, so half of |z|^2 is the fit whatever the
    covariance.
    """
    point, z = start, np.zeros(factor.shape[1])
    penalty = np.zeros(len(problem.balance(start)))
    for step in range(1, STEPS_MAX + 1):
        linear, missed = _linearised(problem, measured, factor, point)
        goal = np.where(np.isnan(linear.reconciled), point, linear.reconciled)
        pull = np.asarray(linear.reduction.matrix.T @ linear.fit.multipliers)
        move, turn = goal - point, -(factor.T @ pull) - z
        size = np.maximum(np.abs(point), np.nan_to_num(linear.sd_before))
        terms = np.maximum(problem.terms(point), 1e-300)
        still = np.all(np.abs(move) <= STEP_TOLERANCE * np.maximum(size, 1e-300))
        if still and np.all(np.abs(missed) <= BALANCE_TOLERANCE * terms):
            return point, linear, step, ""
        force = np.abs(linear.reduction.combination.T @ linear.fit.multipliers)
        penalty = np.maximum(penalty, 2 * force + 1e-3 / terms)
        length = _step_length(problem, penalty, (point, move), (z, turn))
        if length == 0.0:
            return point, linear, step, "no step improves both fit and balances"
        point, z = point + length * move, z + length * turn
    linear, _ = _linearised(problem, measured, factor, point)
    return point, linear, STEPS_MAX, f"not settled after {STEPS_MAX} steps"


def _linearised(
    problem: _Problem, measured: Floats, factor: csr_array, point: Floats
) -> tuple[Reconciliation, Floats]:
    jacobian = problem.jacobian(point)
    missed = problem.balance(point)
    return reconcile(jacobian, jacobian @ point - missed, measured, factor), missed


def _step_length(
    problem: _Problem,
    penalty: Floats,
    line: tuple[Floats, Floats],
    fit_line: tuple[Floats, Floats],
) -> float:
    """Halve until the exact penalty |z|^2 / 2 + penalty |c| falls; 0 when it never does."""
    (point, move), (z, turn) = line, fit_line

    def merit(length: float) -> float:
        missed = np.abs(problem.balance(point + length * move))
        return 0.5 * float(((z + length * turn) ** 2).sum()) + float(penalty @ missed)

    before = merit(0.0)
    # With the penalty twice the multipliers, a full step promises at least half the misses.
    promise = DESCENT * 0.5 * float(penalty @ np.abs(problem.balance(point)))
    slack = 1e-12 * max(1.0, before)
    length = 1.0
    for _ in range(HALVINGS_MAX):
        if merit(length) <= before - length * promise + slack:
            return length
        length /= 2
    return 0.0
