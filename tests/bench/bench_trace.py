"""How fast tracing is beside the same product in scipy.sparse, in the same run: ratios, not times.

    python tests/bench/bench_trace.py --entries 10000 100000

The sparse products are in floating point and round nowhere; the trace is exact to the microgram. A
product over all lots goes level by level (movements that touch no lot in common at once); one lot
is a triangular solve over the states of all lots.
"""

from __future__ import annotations

import argparse
import gc
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from scipy import sparse
from scipy.sparse.linalg import spsolve_triangular

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from lots.trace import Mixing, mix
from lots.trace_following import follow
from lots.trace_steps import Step, flows_of, givers
from tests.bench.carried_history import CarriedHistory, carried_history


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--entries", type=int, nargs="+", default=[10_000])
    parser.add_argument(
        "--product-up-to",
        type=int,
        default=20_000,
        metavar="ENTRIES",
        help="Leave the sparse product out above this: its time grows with the square.",
    )
    options = parser.parse_args()
    for entries in options.entries:
        _measure(carried_history(entries), with_product=entries <= options.product_up_to)
    return 0


def _measure(history: CarriedHistory, *, with_product: bool) -> None:
    steps = history.steps
    traced, all_s = _timed(lambda: mix(steps))
    largest = max(len(each) for each in traced.contents["Ag"].values())
    _say(f"{history.entries:,} entries, {history.lots:,} lots; up to {largest} origins in a lot")
    _say(f"  all lots, exact: {all_s:.2f} s ({all_s / history.entries * 1e6:.1f} us an entry)")
    if with_product:
        product, product_s = _timed(lambda: _product(steps, history.lots))
        _say(f"  all lots / scipy.sparse product: {all_s / product_s:.2f}")
        _say(f"  largest deviation from the product: {_deviation(traced, product):.1f} ug")
    else:
        _say("  all lots / scipy.sparse product: not measured at this size (--product-up-to)")
    system, system_s = _timed(lambda: _system(steps))
    last = history.baths[0]
    back, back_s = _timed(lambda: mix(steps, givers(steps, {last})).contents["Ag"][last])
    solved_back, solve_s = _timed(lambda: _solve_back(system, last))
    _say(f"  one lot back, {len(back)} origins: {back_s:.2f} s;", end=" ")
    _say(f"/ triangular solve with its set-up: {back_s / (solve_s + system_s):.2f}")
    assert abs(sum(back.values()) - solved_back.sum()) < 1e-3 * sum(back.values())
    first = len(steps) // 2
    lot = next(h for step in steps[first:] for h, _, ug in step.lines if isinstance(h, int) and ug)
    _, ahead_s = _timed(lambda: follow(steps, lot))
    _, solve_s = _timed(lambda: _solve_ahead(system, lot))
    _say(f"  one lot forward: {ahead_s:.2f} s;", end=" ")
    _say(f"/ triangular solve with its set-up: {ahead_s / (solve_s + system_s):.2f}")


def _product(steps: list[Step], lots: int) -> Any:
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


def _system(steps: list[Step]) -> tuple[Any, dict[int, int], list[int]]:
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


def _solve_back(system: tuple[Any, dict[int, int], list[int]], lot: int) -> Any:
    """What each state's fresh metal contributes to the lot: the adjoint, times what came fresh."""
    matrix, now, held = system
    wanted = np.zeros(matrix.shape[0])
    wanted[now[lot]] = 1.0
    weights = spsolve_triangular(matrix.T.tocsr(), wanted, lower=False)
    return weights * (matrix @ np.array(held, dtype=float))


def _solve_ahead(system: tuple[Any, dict[int, int], list[int]], lot: int) -> Any:
    matrix, now, held = system
    fresh = np.zeros(matrix.shape[0])
    fresh[now[lot]] = held[now[lot]] or 1.0
    return spsolve_triangular(matrix, fresh, lower=True)


def _deviation(traced: Mixing, product: Any) -> float:
    worst = 0.0
    for lot, mixture in traced.contents["Ag"].items():
        row = product[[lot], :].toarray()[0]
        for origin, ug in mixture.items():
            worst = max(worst, abs(row[origin.lot] - ug))
    return worst


def _timed(call: Callable[[], Any]) -> tuple[Any, float]:
    gc.collect()
    start = time.perf_counter()
    result = call()
    return result, time.perf_counter() - start


def _say(text: str, end: str = "\n") -> None:
    sys.stdout.write(text + end)
    sys.stdout.flush()


if __name__ == "__main__":
    raise SystemExit(main())
