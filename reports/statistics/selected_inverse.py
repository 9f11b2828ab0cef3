"""Which entries of the inverse of a large sparse symmetric matrix are needed, and what are they?

Takahashi's equations on an LDL^T factor (Takahashi, Fagan and Chin, 1973; Erisman and Tinney,
Comm. ACM 18, 1975, 177-179; both from memory): the inverse on the pattern of the factor, never the
whole of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csc_array, csr_array
from scipy.sparse.linalg import SuperLU, splu

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

SYMMETRIC: Final = {"SymmetricMode": True, "Equil": False}


@dataclass(frozen=True)
class Factor:
    """P K P^T = L D L^T of a symmetric matrix, without pivoting for size."""

    lu: SuperLU
    pivots: Floats
    order: Integers

    @property
    def is_symmetric(self) -> bool:
        """Whether rows and columns kept the same order, which the selected inverse relies on."""
        return bool(np.array_equal(self.lu.perm_r, self.lu.perm_c))


def factorise(matrix: csc_array) -> Factor:
    """Factorise a symmetric positive definite or quasi-definite `matrix` (full pattern stored).

    `pivots[i]` belongs to row i of `matrix`. Raises RuntimeError when a pivot is exactly zero.
    """
    lu = splu(matrix, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options=dict(SYMMETRIC))
    order = np.asarray(lu.perm_c, dtype=np.int64)
    return Factor(lu=lu, pivots=np.asarray(lu.U.diagonal())[order], order=order)


def selected_inverse(factor: Factor, pattern: csc_array) -> csr_array:
    """The inverse of the factorised matrix on `pattern` (symmetric, holding the matrix's own).

    Entries outside the pattern, although not zero, are left out. Memory and time follow the fill of
    the factor.
    """
    size = pattern.shape[0]
    if not size:
        return csr_array((0, 0))
    below = _symbolic(_permuted_lower(pattern, factor.order), size)
    columns = _inverse_columns(factor, below)
    lengths = np.array([1 + len(rows) for rows in below])
    row = np.concatenate([np.concatenate([[j], rows]) for j, rows in enumerate(below)])
    column = np.repeat(np.arange(size), lengths)
    entry = np.concatenate(columns)
    back = np.argsort(factor.order)
    strict = row != column
    full = coo_array(
        (
            np.concatenate([entry, entry[strict]]),
            (
                back[np.concatenate([row, column[strict]])],
                back[np.concatenate([column, row[strict]])],
            ),
        ),
        shape=(size, size),
    )
    return csr_array(full)


def _permuted_lower(pattern: csc_array, order: Integers) -> csc_array:
    entries = coo_array(pattern)
    row, column = order[entries.row], order[entries.col]
    keep = row > column
    lower = coo_array((np.ones(int(keep.sum())), (row[keep], column[keep])), shape=pattern.shape)
    result = csc_array(lower)
    result.sort_indices()
    return result


def _symbolic(lower: csc_array, size: int) -> list[Integers]:
    """The rows below the diagonal of every column of the factor, by the elimination tree."""
    below: list[Integers] = []
    children: list[list[int]] = [[] for _ in range(size)]
    for column in range(size):
        own = lower.indices[lower.indptr[column] : lower.indptr[column + 1]]
        parts = [below[child][1:] for child in children[column]]
        rows = np.unique(np.concatenate([own, *parts])) if parts else np.asarray(own)
        below.append(rows.astype(np.int64, copy=False))
        if len(rows):
            children[int(rows[0])].append(column)
    return below


def _inverse_columns(factor: Factor, below: list[Integers]) -> list[Floats]:
    """Column by column from the last; each needs only the dense front of its parent."""
    size = len(below)
    lower = csc_array(factor.lu.L)
    pivots = np.asarray(factor.lu.U.diagonal(), dtype=float)
    waiting = np.zeros(size, dtype=np.int64)
    for rows in below:
        if len(rows):
            waiting[rows[0]] += 1
    fronts: dict[int, Floats] = {}
    columns: list[Floats] = [np.empty(0)] * size
    for column in range(size - 1, -1, -1):
        rows = below[column]
        if not len(rows):
            front = np.array([[1.0 / pivots[column]]])
        else:
            parent = int(rows[0])
            place = 1 + np.searchsorted(below[parent], rows)
            place[0] = 0
            front = _front(
                fronts[parent][np.ix_(place, place)],
                _entries(lower, column, rows),
                float(pivots[column]),
            )
            waiting[parent] -= 1
            if not waiting[parent]:
                del fronts[parent]
        columns[column] = front[:, 0].copy()
        if waiting[column]:
            fronts[column] = front
    return columns


def _entries(lower: csc_array, column: int, rows: Integers) -> Floats:
    start, end = lower.indptr[column], lower.indptr[column + 1]
    index, data = lower.indices[start:end], lower.data[start:end]
    strict = index > column
    values = np.zeros(len(rows))
    values[np.searchsorted(rows, index[strict])] = data[strict]
    return values


def _front(known: Floats, multipliers: Floats, pivot: float) -> Floats:
    size = len(multipliers)
    front = np.empty((size + 1, size + 1))
    side = -(known @ multipliers)
    front[0, 0] = 1.0 / pivot - multipliers @ side
    front[0, 1:] = front[1:, 0] = side
    front[1:, 1:] = known
    return front
