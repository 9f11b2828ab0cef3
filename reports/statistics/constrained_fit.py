"""What is the least change to correlated measurements that makes every balance hold?

x = y + F z with the least |z| such that G x = h, where F F^T is the covariance of y. Two engines
answer alike: an orthogonal one for small networks, a sparse one for large ones.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import qr, solve_triangular
from scipy.sparse import coo_array, csc_array, csr_array, diags_array, eye_array, hstack, vstack

from config.refusals import InvalidError, refuse
from reports.statistics.selected_inverse import Factor, factorise, selected_inverse

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

# Rows whose remaining part falls below these shares repeat other rows.
DENSE_RANK: Final = 1e-12
SPARSE_PIVOT: Final = 1e-11
SHIFT: Final = 1e-15
# A repeated row must hold to this share of its own terms, or no solution exists.
CONTRADICTION: Final = 1e-7
DENSE_CELLS_MAX: Final = 1_500_000
# An error source that reaches this many figures is kept apart so that the equations stay sparse.
SHARED_MIN: Final = 40
BATCH: Final = 256
BATCH_CELLS: Final = 4_000_000
LONG_ROW: Final = 24


class Fit(Protocol):
    """The solution and what the tests need of it; all arrays run over the columns of G.

    `multipliers` belongs to the rows of G (0 for a repeated row), `score` is G^T S^-1 r and
    `information` the diagonal of G^T S^-1 G, where r = G y - h and S = G V G^T.
    """

    solution: Floats
    multipliers: Floats
    statistic: float
    kept: Integers
    variance_after: Floats
    variance_of_adjustment: Floats
    information: Floats
    output_variance: Floats

    def inverse_times(self, columns: Floats) -> Floats:
        """S^-1 times dense columns over the rows of G; repeated rows count as absent."""


def fit(
    checks: csr_array, target: Floats, values: Floats, factor: csr_array, outputs: csr_array
) -> Fit:
    """Solve by the engine that suits the size; `outputs` x are sums whose variance is wanted.

    Raises InvalidError `contradiction` (field `measurements`) when figures held to be exact, or
    exact in relation to each other, break a balance.
    """
    cells = checks.shape[0] * max(factor.shape[1], 1)
    if cells <= DENSE_CELLS_MAX:
        return DenseFit(checks, target, values, factor, outputs)
    return SparseFit(checks, target, values, factor, outputs)


class DenseFit:
    """Householder QR of the scaled (G F)^T with column pivoting and rows sorted by size.

    Sorting keeps the accuracy of precise figures beside very imprecise ones (Cox and Higham, BIT
    38, 1998, 34-50; from memory).
    """

    def __init__(
        self,
        checks: csr_array,
        target: Floats,
        values: Floats,
        factor: csr_array,
        outputs: csr_array,
    ) -> None:
        reach = csc_array(checks @ factor)
        reach.eliminate_zeros()
        # Error sources that no balance knows of stay as they are and out of the dense arrays.
        self._used = np.flatnonzero(np.diff(reach.indptr))
        weighted = np.asarray(reach[:, self._used].todense(), dtype=float)
        residual = checks @ values - target
        scale = _row_scale(weighted, checks, factor)
        self._prepare(weighted * scale[:, None])
        self._scale = scale
        rank = len(self.kept)
        whitened = self._whiten(np.asarray(residual)[:, None])[:, 0]
        change = np.zeros(factor.shape[1])
        change[self._used[self._order]] = -(self._basis @ whitened)
        self.solution = values + factor @ change
        self.multipliers = np.zeros(checks.shape[0])
        self.multipliers[self.kept] = (
            scale[self.kept] * solve_triangular(self._upper, whitened, check_finite=False)
            if rank
            else 0.0
        )
        self.statistic = float(whitened @ whitened)
        _refuse_broken(self, checks, target, values, factor)
        self._spread(factor, outputs, checks)

    def _prepare(self, scaled: Floats) -> None:
        sizes = np.abs(scaled).max(axis=0, initial=0.0)
        self._order = np.argsort(-sizes, kind="stable")
        if not scaled.size:
            self.kept = np.zeros(0, dtype=np.int64)
            self._basis = np.zeros((scaled.shape[1], 0))
            self._upper = np.zeros((0, 0))
            return
        basis, upper, columns = qr(
            scaled.T[self._order], mode="economic", pivoting=True, check_finite=False
        )
        diagonal = np.abs(np.diag(upper))
        rank = int((diagonal > DENSE_RANK * max(diagonal[0], 1e-300)).sum())
        self.kept = np.asarray(columns[:rank], dtype=np.int64)
        self._basis = np.asarray(basis[:, :rank])
        self._upper = np.asarray(upper[:rank, :rank])

    def _whiten(self, columns: Floats) -> Floats:
        kept = columns[self.kept] * self._scale[self.kept, None]
        if not len(self.kept):
            return kept
        return np.asarray(solve_triangular(self._upper, kept, trans="T", check_finite=False))

    def _spread(self, factor: csr_array, outputs: csr_array, checks: csr_array) -> None:
        self.variance_after, self.variance_of_adjustment = self._project(factor)
        self.output_variance = self._project(csr_array(outputs @ factor))[0]
        self.information = np.zeros(checks.shape[1])
        columns = csc_array(checks)
        touched = np.flatnonzero(np.diff(columns.indptr))
        for batch in np.array_split(touched, 1 + checks.shape[0] * len(touched) // BATCH_CELLS):
            white = self._whiten(np.asarray(columns[:, batch].todense(), dtype=float))
            self.information[batch] = (white**2).sum(axis=0)

    def _project(self, factor: csr_array) -> tuple[Floats, Floats]:
        used = csc_array(factor)[:, self._used[self._order]]
        # What the balances don't know of is all across; the rest is projected, some rows at a time.
        unused = np.setdiff1d(np.arange(factor.shape[1]), self._used)
        across = _squares(csr_array(csc_array(factor)[:, unused]))
        along = np.zeros(factor.shape[0])
        rows = csr_array(used)
        touched = np.flatnonzero(np.diff(rows.indptr))
        for batch in np.array_split(touched, 1 + rows.shape[1] * len(touched) // BATCH_CELLS):
            dense = np.asarray(rows[batch].todense(), dtype=float)
            inside = dense @ self._basis
            across[batch] += ((dense - inside @ self._basis.T) ** 2).sum(axis=1)
            along[batch] = (inside**2).sum(axis=1)
        return across, along

    def inverse_times(self, columns: Floats) -> Floats:
        """S^-1 times `columns`, through the triangular factor."""
        result = np.zeros_like(columns)
        if len(self.kept):
            half = solve_triangular(self._upper, self._whiten(columns), check_finite=False)
            result[self.kept] = half * self._scale[self.kept, None]
        return result


@dataclass(frozen=True)
class _System:
    """K = [[S_own, D], [D^T, -I]] with its rows scaled, and B such that x - y = -B K^-1 [r; 0]."""

    matrix: csc_array
    reach: csr_array
    own: csr_array
    scale: Floats
    rows: Integers


class SparseFit:
    """LDL^T of S = G V G^T, error sources shared by many figures bordered as rows of their own.

    The values are refined until the balances hold to rounding; the variances carry the relative
    error of the factor, about the condition of the scaled S times 1e-16.
    """

    def __init__(
        self,
        checks: csr_array,
        target: Floats,
        values: Floats,
        factor: csr_array,
        outputs: csr_array,
    ) -> None:
        self._checks, self._factor = checks, factor
        counts = np.diff(csc_array(factor).indptr)
        shared = counts >= SHARED_MIN
        own_size = _squares(csr_array(checks @ csr_array(factor[:, np.flatnonzero(~shared)])))
        whole_size = _squares(csr_array(checks @ factor))
        if np.any(own_size < 1e-10 * whole_size):
            shared = np.zeros_like(shared)
        self._shared = shared
        bound = _squares(csr_array(abs(checks) @ abs(factor)))
        self.kept = np.flatnonzero(whole_size > 1e-28 * np.maximum(bound, 1e-300))
        self._ldl, self._system = self._factorised()
        self._solve(target, values)
        try:
            _refuse_broken(self, checks, target, values, factor)
        except InvalidError:
            if not shared.any():
                raise
            # A row that repeats others but for a shared source was dropped: keep all together.
            self._shared = np.zeros_like(shared)
            self.kept = np.flatnonzero(whole_size > 1e-28 * np.maximum(bound, 1e-300))
            self._ldl, self._system = self._factorised()
            self._solve(target, values)
            _refuse_broken(self, checks, target, values, factor)
        self._spread(outputs)

    def _factorised(self) -> tuple[Factor, _System]:
        """Factorise, leaving out rows whose pivot shows that they repeat others."""
        while True:
            system = self._assemble()
            count = len(system.rows)
            ldl = _factor_or_shifted(system.matrix, count)
            sound = ldl.pivots[:count] > SPARSE_PIVOT
            if sound.all():
                return ldl, system
            self.kept = self.kept[sound]

    def _assemble(self) -> _System:
        checks = csr_array(self._checks[self.kept])
        own = csr_array(self._factor[:, np.flatnonzero(~self._shared)])
        common = csr_array(self._factor[:, np.flatnonzero(self._shared)])
        weighted = csr_array(checks @ own)
        scale = 1.0 / np.sqrt(_squares(weighted))
        weighted = csr_array(diags_array(scale) @ weighted)
        inner = csr_array(weighted @ weighted.T)
        reach = csr_array(own @ weighted.T)
        if common.shape[1]:
            border = csr_array(diags_array(scale) @ (checks @ common))
            corner = csr_array(-eye_array(common.shape[1]))
            inner = csr_array(vstack([hstack([inner, border]), hstack([border.T, corner])]))
            reach = csr_array(hstack([reach, common]))
        return _System(matrix=csc_array(inner), reach=reach, own=own, scale=scale, rows=self.kept)

    def _raw_solve(self, columns: Floats) -> Floats:
        """K^-1 [scaled columns; 0] for columns over the kept rows."""
        system = self._system
        padded = np.zeros((system.matrix.shape[0], columns.shape[1]))
        padded[: len(system.rows)] = columns * system.scale[:, None]
        return np.asarray(self._ldl.lu.solve(padded))

    def _solve(self, target: Floats, values: Floats) -> None:
        checks = csr_array(self._checks[self.kept])
        wanted = target[self.kept]
        start = checks @ values - wanted
        weights = np.zeros(self._system.matrix.shape[0])
        self.solution = np.array(values, dtype=float)
        for _ in range(4):
            left = checks @ self.solution - wanted
            weights = weights + self._raw_solve(np.asarray(left)[:, None])[:, 0]
            self.solution = values - self._system.reach @ weights
        self.multipliers = np.zeros(self._checks.shape[0])
        self.multipliers[self.kept] = weights[: len(self.kept)] * self._system.scale
        self.statistic = float(start @ self.multipliers[self.kept])

    def _spread(self, outputs: csr_array) -> None:
        system = self._system
        count = len(self.kept)
        scaled = csr_array(diags_array(system.scale) @ self._checks[self.kept])
        out_reach = csr_array(outputs @ system.reach)
        long = np.diff(out_reach.indptr) > LONG_ROW
        short = csr_array(out_reach[np.flatnonzero(~long)])
        touch = coo_array(abs(scaled) @ abs(scaled).T)
        spot = (touch.row, touch.col)
        touch = coo_array((touch.data, spot), shape=system.matrix.shape)
        pattern = abs(system.matrix) + abs(system.reach).T @ abs(system.reach) + touch
        pattern = csc_array(pattern + abs(short).T @ abs(short))
        inverse = selected_inverse(self._ldl, pattern)
        before = _squares(self._factor)
        own = _squares(system.own)
        gained = _quadratic(system.reach, inverse, pattern)
        self.variance_after = np.maximum(own - gained, 0.0)
        self.variance_of_adjustment = np.maximum(before - own + gained, 0.0)
        top = csr_array(csr_array(inverse[:count])[:, :count])
        self.information = _quadratic(
            csr_array(scaled.T), top, csc_array((touch.data, spot), shape=top.shape)
        )
        self.output_variance = np.zeros(outputs.shape[0])
        own_out = _squares(csr_array(outputs @ system.own))
        self.output_variance[~long] = own_out[~long] - _quadratic(short, inverse, pattern)
        for batch in np.array_split(np.flatnonzero(long), 1 + int(long.sum()) // BATCH):
            rows = np.asarray(out_reach[batch].todense())
            answer = self._ldl.lu.solve(np.ascontiguousarray(rows.T))
            self.output_variance[batch] = own_out[batch] - (rows * answer.T).sum(axis=1)
        self.output_variance = np.maximum(self.output_variance, 0.0)

    def inverse_times(self, columns: Floats) -> Floats:
        """S^-1 times `columns`, by the stored factor."""
        result = np.zeros_like(columns)
        solved = self._raw_solve(columns[self.kept])[: len(self.kept)]
        result[self.kept] = solved * self._system.scale[:, None]
        return result


def _factor_or_shifted(matrix: csc_array, count: int) -> Factor:
    """The factor; a pivot of exactly zero is moved to rounding size so that it can be named."""
    try:
        ldl = factorise(matrix)
        if ldl.is_symmetric:
            return ldl
    except RuntimeError:
        pass
    shift = np.zeros(matrix.shape[0])
    shift[:count] = SHIFT
    return factorise(csc_array(matrix + diags_array(shift)))


def _squares(matrix: csr_array) -> Floats:
    return np.asarray(matrix.power(2).sum(axis=1), dtype=float).ravel()


def _quadratic(rows: csr_array, inverse: csr_array, pattern: csc_array) -> Floats:
    """The diagonal of rows inverse rows^T, reading `inverse` on `pattern` only."""
    mask = csr_array(pattern, copy=True)
    mask.data[:] = 1.0
    known = csr_array(inverse.multiply(mask))
    return np.asarray((rows @ known).multiply(rows).sum(axis=1), dtype=float).ravel()


def _row_scale(weighted: Floats, checks: csr_array, factor: csr_array) -> Floats:
    """One over the size of each row; 0 where every figure in the row is exact."""
    size = np.sqrt((weighted**2).sum(axis=1))
    bound = np.sqrt(_squares(csr_array(abs(checks) @ abs(factor))))
    exact = size <= 1e-14 * bound
    return np.asarray(np.where(exact, 0.0, 1.0 / np.where(exact, 1.0, size)))


def _refuse_broken(
    found: Fit, checks: csr_array, target: Floats, values: Floats, factor: csr_array
) -> None:
    missed = np.abs(checks @ found.solution - target)
    size = np.maximum(np.abs(values), np.abs(found.solution)) + np.sqrt(_squares(factor))
    broken = missed > CONTRADICTION * (abs(checks) @ size + np.abs(target))
    broken[found.kept] = False
    if broken.any():
        raise refuse(
            "contradiction",
            field="measurements",
            value=sorted(csr_array(checks[[int(np.argmax(broken))]]).indices.tolist())[:10],
        )
