"""Which figures do the balances settle without a measurement, and which checks are left over?

Sparse elimination of the unmeasured columns of A x = b: the projection of Crowe, Garcia Campos and
Hrymak (AIChE J. 29, 1983, 881-888; from memory), done by row operations that keep the rows sparse.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csr_array

from config.refusals import RefusalError, refuse

# A sum this much smaller than its parts is taken as exact cancellation.
CANCELLATION: Final = 1e-11
# A pivot this much smaller than the largest entry of its column is not used while a larger exists.
PIVOT_SHARE: Final = 0.1
# A balance of fixed numbers may miss by this share of its own terms before it is a contradiction.
CONTRADICTION: Final = 1e-9

Row = dict[int, float]


@dataclass(frozen=True)
class Pivot:
    """One unmeasured column in terms of others: sum(row[c] * x[c]) = target, row[column] = 1."""

    column: int
    row: Row
    target: float


@dataclass(frozen=True)
class Reduction:
    """What is left when the unmeasured columns are eliminated from A x = b.

    `matrix` x = `target` holds the checks between measured figures alone; `combination` says which
    sum of the original rows each check is. `unmeasured` u = `offset` + `expression` x gives every
    observable unmeasured column; `free_groups` lists, for each degree of freedom that no balance
    settles, the unmeasured columns that depend on it.
    """

    matrix: csr_array
    target: NDArray[np.float64]
    combination: csr_array
    observable: NDArray[np.int64]
    offset: NDArray[np.float64]
    expression: csr_array
    unobservable: NDArray[np.int64]
    free_groups: tuple[tuple[int, ...], ...]


@dataclass
class _Work:
    rows: dict[int, Row]
    target: dict[int, float]
    combination: dict[int, Row]
    holders: dict[int, set[int]]
    unmeasured: set[int]
    pivots: list[Pivot] = field(default_factory=list)
    free: list[int] = field(default_factory=list)


def reduce_balances(
    matrix: csr_array, target: NDArray[np.float64], measured: NDArray[np.bool_]
) -> Reduction:
    """Eliminate the columns that are not `measured` from `matrix` x = `target`.

    Rows are scaled to a largest entry near one first. Raises InvalidError `contradiction` (field
    `constraints`) when a combination of rows says 0 = something else.
    """
    scale = _row_scale(matrix)
    touched = _rows_with_unmeasured(matrix, measured)
    work = _load(matrix, target, scale, measured, touched)
    _eliminate(work)
    dependence = _free_dependence(work)
    expression, offset, observable = _expressions(work, dependence, matrix.shape[1])
    kept, kept_target, combination = _checks(work, matrix, target, touched)
    unobservable = sorted(set(work.free) | {column for column, free in dependence.items() if free})
    return Reduction(
        matrix=kept,
        target=kept_target,
        combination=combination,
        observable=observable,
        offset=offset,
        expression=expression,
        unobservable=np.array(unobservable, dtype=np.int64),
        free_groups=tuple(
            (free, *(c for c, held in sorted(dependence.items()) if free in held))
            for free in work.free
        ),
    )


def _row_scale(matrix: csr_array) -> NDArray[np.float64]:
    largest = np.asarray(abs(matrix).max(axis=1).todense(), dtype=float).ravel()
    largest[largest == 0] = 1.0
    return np.asarray(2.0 ** -np.round(np.log2(largest)))


def _rows_with_unmeasured(matrix: csr_array, measured: NDArray[np.bool_]) -> NDArray[np.bool_]:
    pattern = csr_array((np.ones(matrix.nnz), matrix.indices, matrix.indptr), shape=matrix.shape)
    return np.asarray((pattern @ (~measured).astype(float)) > 0)


def _load(
    matrix: csr_array,
    target: NDArray[np.float64],
    scale: NDArray[np.float64],
    measured: NDArray[np.bool_],
    touched: NDArray[np.bool_],
) -> _Work:
    unmeasured = {int(column) for column in np.flatnonzero(~measured)}
    holders: dict[int, set[int]] = {column: set() for column in unmeasured}
    rows: dict[int, Row] = {}
    for index in np.flatnonzero(touched).tolist():
        start, end = matrix.indptr[index], matrix.indptr[index + 1]
        columns = matrix.indices[start:end].tolist()
        entries = (matrix.data[start:end] * scale[index]).tolist()
        rows[index] = dict(zip(columns, entries, strict=True))
        for column in columns:
            if column in unmeasured:
                holders[column].add(index)
    return _Work(
        rows=rows,
        target={index: float(target[index] * scale[index]) for index in rows},
        combination={index: {index: float(scale[index])} for index in rows},
        holders=holders,
        unmeasured=unmeasured,
    )


def _eliminate(work: _Work) -> None:
    """Take the column held by the fewest rows first, so that chains and trees leave no fill."""
    queue = [(len(holding), column) for column, holding in work.holders.items()]
    heapq.heapify(queue)
    settled: set[int] = set()
    while queue:
        count, column = heapq.heappop(queue)
        holding = work.holders[column]
        if column in settled:
            continue
        if count != len(holding):
            heapq.heappush(queue, (len(holding), column))
            continue
        settled.add(column)
        if not holding:
            work.free.append(column)
            continue
        for changed in _pivot_on(work, column):
            if changed not in settled:
                heapq.heappush(queue, (len(work.holders[changed]), changed))


def _pivot_on(work: _Work, column: int) -> set[int]:
    holding = work.holders[column]
    largest = max(abs(work.rows[index][column]) for index in holding)
    usable = [i for i in holding if abs(work.rows[i][column]) >= PIVOT_SHARE * largest]
    chosen = min(usable, key=lambda i: (len(work.rows[i]), i))
    row, target = work.rows.pop(chosen), work.target.pop(chosen)
    origin = work.combination.pop(chosen)
    lead = row[column]
    changed = {c for c in row if c in work.unmeasured}
    for other in changed:
        work.holders[other].discard(chosen)
    for index in sorted(holding):
        factor = work.rows[index][column] / lead
        _subtract(work.rows[index], row, factor)
        work.rows[index].pop(column, None)
        work.target[index] = _difference(work.target[index], factor * target)
        _subtract(work.combination[index], origin, factor)
        for other in changed:
            if other in work.rows[index]:
                work.holders[other].add(index)
            else:
                work.holders[other].discard(index)
    work.holders[column] = set()
    unit = {c: value / lead for c, value in row.items()}
    work.pivots.append(Pivot(column=column, row=unit, target=target / lead))
    return changed


def _difference(first: float, second: float) -> float:
    result = first - second
    return 0.0 if abs(result) <= CANCELLATION * max(abs(first), abs(second)) else result


def _subtract(row: Row, other: Row, factor: float) -> None:
    for column, value in other.items():
        result = _difference(row.get(column, 0.0), factor * value)
        if result:
            row[column] = result
        else:
            row.pop(column, None)


def _free_dependence(work: _Work) -> dict[int, Row]:
    """How each pivoted column moves with each free one; empty for an observable column."""
    free = set(work.free)
    dependence: dict[int, Row] = {}
    for pivot in reversed(work.pivots):
        moves: Row = {}
        for column, value in pivot.row.items():
            if column in free:
                _subtract(moves, {column: 1.0}, value)
            elif column != pivot.column and dependence.get(column):
                _subtract(moves, dependence[column], value)
        dependence[pivot.column] = moves
    return dependence


def _expressions(
    work: _Work, dependence: dict[int, Row], width: int
) -> tuple[csr_array, NDArray[np.float64], NDArray[np.int64]]:
    # The measured part of an unobservable column is no estimate by itself, yet it is carried along:
    # two unobservable columns may add up to an observable one.
    solved: dict[int, tuple[Row, float]] = {}
    for pivot in reversed(work.pivots):
        expression: Row = {}
        offset = pivot.target
        for column, value in pivot.row.items():
            if column == pivot.column:
                continue
            if column in solved:
                _subtract(expression, solved[column][0], value)
                offset = _difference(offset, value * solved[column][1])
            elif column not in work.unmeasured:
                _subtract(expression, {column: 1.0}, value)
        solved[pivot.column] = (expression, offset)
    observable = sorted(column for column in solved if not dependence[column])
    return (
        _stack([solved[column][0] for column in observable], width),
        np.array([solved[column][1] for column in observable], dtype=float),
        np.array(observable, dtype=np.int64),
    )


def _checks(
    work: _Work, matrix: csr_array, target: NDArray[np.float64], touched: NDArray[np.bool_]
) -> tuple[csr_array, NDArray[np.float64], csr_array]:
    """The rows free of unmeasured columns: those never touched as given, then the sums."""
    empty = np.diff(matrix.indptr) == 0
    for index in np.flatnonzero(empty & (target != 0)).tolist():
        raise _contradiction([index])
    whole = np.flatnonzero(~touched & ~empty)
    sums = sorted(work.rows)
    for index in sums:
        if not work.rows[index]:
            _refuse_contradiction(work, index, target)
    sums = [index for index in sums if work.rows[index]]
    combined = _stack([work.rows[index] for index in sums], matrix.shape[1])
    origin = [{int(index): 1.0} for index in whole] + [work.combination[i] for i in sums]
    rows = _join(csr_array(matrix[whole]), combined)
    targets = np.concatenate([target[whole], [work.target[index] for index in sums]])
    return rows, targets, _stack(origin, matrix.shape[0])


def _refuse_contradiction(work: _Work, index: int, target: NDArray[np.float64]) -> None:
    terms = sum(abs(factor * target[row]) for row, factor in work.combination[index].items())
    if abs(work.target[index]) > CONTRADICTION * terms:
        raise _contradiction(sorted(work.combination[index]))


def _contradiction(rows: list[int]) -> RefusalError:
    return refuse("contradiction:elimination", field="constraints", value=rows)


def _stack(rows: list[Row], width: int) -> csr_array:
    lengths = [len(row) for row in rows]
    columns = np.array([column for row in rows for column in row], dtype=np.int64)
    entries = np.array([value for row in rows for value in row.values()], dtype=float)
    index = np.repeat(np.arange(len(rows)), lengths)
    return csr_array(coo_array((entries, (index, columns)), shape=(len(rows), width)))


def _join(first: csr_array, second: csr_array) -> csr_array:
    return csr_array(
        (
            np.concatenate([first.data, second.data]),
            np.concatenate([first.indices, second.indices]),
            np.concatenate([first.indptr, first.indptr[-1] + second.indptr[1:]]),
        ),
        shape=(first.shape[0] + second.shape[0], first.shape[1]),
    )
