"""A trace as products of sparse matrices: in floating point, and rounded nowhere.

The product over all lots goes level by level (movements that touch no lot in common at once); one
lot is a triangular solve over the states of all lots.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from scipy import sparse
from scipy.sparse.linalg import spsolve_triangular

from lots.traces.trace import Mixture
from lots.traces.trace_steps import Step, flows_of

# I - A over the states of the lots, the last state of each lot, and what every state holds.
System = tuple[Any, dict[int, int], list[int]]


def product(steps: list[Step], lots: int) -> Any:
    """Lots by origins (the lot that first received it): one sparse matrix a level of movements."""
    state = sparse.csr_array((lots + 1, lots + 1))
    held = np.zeros(lots + 1)
    level: list[Step] = []
    touched: set[int] = set()
    for step in [*steps, None]:
        here = set() if step is None else {h for h, _, _ in step.lines if isinstance(h, int)}
        if step is None or here & touched:
            state = _advance(state, held, level)
            level, touched = [], set()
        if step is not None:
            level.append(step)
            touched |= here
    return state


def _advance(state: Any, held: Any, level: list[Step]) -> Any:
    size = state.shape[0]
    rows, columns, values = list(range(size)), list(range(size)), [1.0] * size
    fresh = []
    for step in level:
        sources, targets = flows_of(step.lines)["Ag"]
        whole = sum(ug for _, ug in targets)
        given = [(h, ug) for h, ug in sources if isinstance(h, int)]
        outside = whole - sum(ug for _, ug in given)
        for target, ug in targets:
            if isinstance(target, int):
                rows += [target] * len(given)
                columns += [source for source, _ in given]
                values += [ug / whole * out / held[source] for source, out in given]
                if outside:
                    fresh.append((target, ug / whole * outside))
        for source, out in given:
            values[source] -= out / held[source]
        for holder, _, ug in step.lines:
            if isinstance(holder, int):
                held[holder] += ug
    matrix = sparse.csr_array((values, (rows, columns)), shape=(size, size))
    state = matrix @ state
    if fresh:
        at = [lot for lot, _ in fresh]
        state = state + sparse.csr_array(([ug for _, ug in fresh], (at, at)), shape=(size, size))
    state.eliminate_zeros()
    return state


def system(steps: list[Step]) -> System:
    """I - A over the states of lots (one after each movement), the last state and lot of each."""
    now: dict[int, int] = {}
    held: list[int] = []
    of_lot: list[int] = []
    rows: list[int] = []
    columns: list[int] = []
    values: list[float] = []

    def state(lot: int, ug: int) -> int:
        held.append(ug)
        of_lot.append(lot)
        number = len(held) - 1
        rows.append(number)
        columns.append(number)
        values.append(1.0)
        return number

    def link(to: int, source: int, share: float) -> None:
        rows.append(to)
        columns.append(source)
        values.append(-share)

    for step in steps:
        sources, targets = flows_of(step.lines)["Ag"]
        whole = sum(ug for _, ug in targets)
        given = [(now[h], ug) for h, ug in sources if isinstance(h, int)]
        for lot, ug in sources:
            if isinstance(lot, int) and held[now[lot]] > ug:
                before = now[lot]
                now[lot] = state(lot, held[before] - ug)
                link(now[lot], before, 1 - ug / held[before])
        for lot, ug in targets:
            if isinstance(lot, int):
                before_lot = now.get(lot)
                kept = held[before_lot] if before_lot is not None else 0
                number = state(lot, kept + ug)
                if before_lot is not None and kept:
                    link(number, before_lot, 1.0)
                for source, out in given:
                    link(number, source, ug / whole * out / held[source])
                now[lot] = number
    size = len(held)
    matrix = sparse.csr_array((values, (rows, columns)), shape=(size, size))
    return matrix, now, held


def solve_back(solvable: System, lot: int) -> Any:
    """What each state's fresh metal contributes to the lot: the adjoint, times what came fresh."""
    matrix, now, held = solvable
    wanted = np.zeros(matrix.shape[0])
    wanted[now[lot]] = 1.0
    weights = spsolve_triangular(matrix.T.tocsr(), wanted, lower=False)
    return weights * (matrix @ np.array(held, dtype=float))


def solve_ahead(solvable: System, lot: int) -> Any:
    """How much of what the lot last held each state has."""
    matrix, now, held = solvable
    fresh = np.zeros(matrix.shape[0])
    fresh[now[lot]] = held[now[lot]] or 1.0
    return spsolve_triangular(matrix, fresh, lower=True)


def deviation(traced: Mapping[int, Mixture], matrix: Any) -> float:
    """The largest difference of a share from the product's, micrograms."""
    worst = 0.0
    for lot, mixture in traced.items():
        row = matrix[[lot], :].toarray()[0]
        for origin, ug in mixture.items():
            worst = max(worst, abs(row[origin.lot] - ug))
    return worst
