"""What are the best estimates of all figures at once, given that metal is conserved?

Weighted least squares with the full covariance V, after Narasimhan and Jordache, Data
Reconciliation and Gross Error Detection (Gulf 2000), chapters 3 and 7 (numbers from memory):

    x = y - V A^T (A V A^T)^-1 (A y - b)             reconciled values
    cov(x) = V - V A^T (A V A^T)^-1 A V              their covariance
    g = r^T (A V A^T)^-1 r, r = A y - b              global statistic, chi-square, dof = rank

with unmeasured figures projected out first and found from the balances afterwards.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array, vstack
from scipy.stats import chi2

from config.refusals import refuse
from reports.statistics.constrained_fit import Fit, fit
from reports.statistics.elimination import Reduction, reduce_balances
from reports.statistics.observability import Observability, from_reduction

Floats = NDArray[np.float64]

BLOCK_STEPS_MAX: Final = 30
SINGLE_STEPS_MAX: Final = 300
BOUND_SLACK: Final = 1e-9


@dataclass(frozen=True)
class Reconciliation:
    """The figures before and after; NaN stands for "not measured" or "cannot be known".

    `adjustment` is reconciled less measured. `residuals` is A y - b of the balances that hold
    measured figures only (NaN elsewhere). `check_residuals`, with standard uncertainties `check_u`,
    belongs to the sums left after the unmeasured figures are eliminated. `sd_after`, `statistic`
    and the tests are those of the solution without bounds, which is the one whose distribution is
    known. `at_bound` names the figures held at their lower limit; `converged` is False when the set
    of them was not settled.
    """

    measured: Floats
    reconciled: Floats
    adjustment: Floats
    sd_before: Floats
    sd_after: Floats
    residuals: Floats
    check_residuals: Floats
    check_u: Floats
    statistic: float
    dof: int
    p_value: float
    observability: Observability
    at_bound: tuple[int, ...]
    converged: bool
    reduction: Reduction
    fit: Fit


def reconcile(
    matrix: csr_array,
    target: Floats,
    values: Floats,
    factor: csr_array,
    *,
    lower: Floats | None = None,
) -> Reconciliation:
    """Reconcile `values` (NaN = not measured) with `matrix` x = `target`.

    `factor` F holds one row per figure and gives the covariance F F^T; a zero row on a measured
    figure makes it exact. `lower` are limits the figures may not fall below (-inf for none), put
    on after the free solution. Raises InvalidError: `contradiction` when no values satisfy the
    balances, `below_bound` when an exact figure lies below its limit.
    """
    matrix = csr_array(matrix).astype(np.float64)
    values = np.asarray(values, dtype=float)
    measured = ~np.isnan(values)
    filled = np.where(measured, values, 0.0)
    factor = _measured_rows(csr_array(factor).astype(np.float64), measured)
    reduction = reduce_balances(matrix, np.asarray(target, dtype=float), measured)
    found = fit(reduction.matrix, reduction.target, filled, factor, reduction.expression)
    free = _assembled(csr_array(matrix), target, values, spread=factor, reduced=(reduction, found))
    if lower is None:
        return free
    return _bounded(free, filled, factor, np.asarray(lower, dtype=float))


def _measured_rows(factor: csr_array, measured: NDArray[np.bool_]) -> csr_array:
    kept = csr_array(factor, copy=True)
    kept.data[np.repeat(~measured, np.diff(kept.indptr))] = 0.0
    kept.eliminate_zeros()
    return kept


def _assembled(
    matrix: csr_array,
    target: Floats,
    values: Floats,
    *,
    spread: csr_array,
    reduced: tuple[Reduction, Fit],
) -> Reconciliation:
    reduction, found = reduced
    measured = ~np.isnan(values)
    filled = np.where(measured, values, 0.0)
    missing = abs(matrix) @ (~measured).astype(float) > 0
    sd_after = np.where(measured, np.sqrt(found.variance_after), np.nan)
    sd_after[reduction.observable] = np.sqrt(found.output_variance)
    sd_before = _row_sizes(spread)
    dof = len(found.kept)
    reconciled = _completed(reduction, found.solution, measured)
    return Reconciliation(
        measured=values,
        reconciled=reconciled,
        adjustment=reconciled - values,
        sd_before=np.where(measured, sd_before, np.nan),
        sd_after=sd_after,
        residuals=np.where(missing, np.nan, matrix @ filled - target),
        check_residuals=reduction.matrix @ filled - reduction.target,
        check_u=_row_sizes(csr_array(reduction.matrix @ spread)),
        statistic=found.statistic,
        dof=dof,
        p_value=float(chi2.sf(found.statistic, dof)) if dof else 1.0,
        observability=from_reduction(reduction, measured),
        at_bound=(),
        converged=True,
        reduction=reduction,
        fit=found,
    )


def _row_sizes(matrix: csr_array) -> Floats:
    return np.asarray(np.sqrt(matrix.power(2).sum(axis=1)), dtype=float).ravel()


def _completed(reduction: Reduction, solution: Floats, measured: NDArray[np.bool_]) -> Floats:
    whole = np.where(measured, solution, np.nan)
    whole[reduction.observable] = reduction.offset + reduction.expression @ solution
    return np.asarray(whole)


def _bounded(
    free: Reconciliation, filled: Floats, factor: csr_array, lower: Floats
) -> Reconciliation:
    """Hold at their limits the figures that need it: a primal-dual active set.

    All figures change sides together while that settles; then one at a time, the lowest number
    first, which cannot cycle (Murty, Math. Programming 7, 1974, 326-349; from memory).
    """
    measured = ~np.isnan(free.measured)
    exact = measured & (free.sd_before == 0)
    _refuse_exact_below(filled, lower, exact)
    limited = np.isfinite(lower) & ~exact & ~np.isnan(free.reconciled)
    slack = BOUND_SLACK * np.maximum(np.abs(filled), np.nan_to_num(free.sd_before))
    slack = np.maximum(slack, BOUND_SLACK * np.nanmax(np.abs(free.reconciled), initial=0.0))
    held: list[int] = []
    current = free.reconciled
    pressure = np.zeros(len(lower))
    for step in range(BLOCK_STEPS_MAX + SINGLE_STEPS_MAX):
        inside = np.zeros(len(lower), dtype=bool)
        inside[held] = True
        enter = limited & ~inside & (np.where(limited, current, 0.0) < lower - slack)
        leave = inside & (pressure > 0)
        turned = np.flatnonzero(enter | leave)
        if not len(turned):
            return _with_bounds(free, current, held, converged=True)
        if step >= BLOCK_STEPS_MAX:
            turned = turned[:1]
        held = sorted(set(held) ^ set(turned.tolist()))
        current, pressure = _held_solution(free, filled, factor, lower, held)
    return _with_bounds(free, current, held, converged=False)


def _held_solution(
    free: Reconciliation, filled: Floats, factor: csr_array, lower: Floats, held: list[int]
) -> tuple[Floats, Floats]:
    """The solution with `held` figures at their limits, and the multiplier of each limit."""
    reduction = free.reduction
    place = {int(column): row for row, column in enumerate(reduction.observable)}
    width = len(filled)
    rows, targets = [], []
    for column in held:
        if column in place:
            rows.append(csr_array(reduction.expression[[place[column]]]))
            targets.append(lower[column] - reduction.offset[place[column]])
        else:
            rows.append(csr_array(([1.0], ([0], [column])), shape=(1, width)))
            targets.append(lower[column])
    checks = csr_array(vstack([reduction.matrix, *rows]))
    wanted = np.concatenate([reduction.target, targets])
    found = fit(checks, wanted, filled, factor, csr_array((0, width)))
    pressure = np.zeros(width)
    pressure[held] = found.multipliers[reduction.matrix.shape[0] :]
    return _completed(reduction, found.solution, ~np.isnan(free.measured)), pressure


def _with_bounds(
    free: Reconciliation, current: Floats, held: list[int], *, converged: bool
) -> Reconciliation:
    return replace(
        free,
        reconciled=current,
        adjustment=current - free.measured,
        at_bound=tuple(held),
        converged=converged,
    )


def _refuse_exact_below(filled: Floats, lower: Floats, exact: NDArray[np.bool_]) -> None:
    below = np.flatnonzero(exact & (filled < lower))
    if len(below):
        raise refuse("below_bound", field="measurements", value=float(filled[below[0]]))
