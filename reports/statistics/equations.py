"""What agrees with readings, sums and products at once?

Figures are readings with named error sources or unknowns; they are tied by linear balances and by
products such as mass times fineness. Successive linearisation (Narasimhan and Jordache, Data
Reconciliation and Gross Error Detection, Gulf 2000, chapter 5; the chapter number is from memory):
products are linearised at the last estimate until they hold.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csr_array

from reports.statistics.observability import Standing
from reports.statistics.reconcile import Reconciliation, reconcile
from reports.statistics.uncertainty import Figure, gather, linear, product

Floats = NDArray[np.float64]

STEPS_MAX: Final = 20
# A product that misses by less than this share of itself (or of `SMALL`) holds.
TOLERANCE: Final = 1e-9
SMALL: Final = 1e-3


@dataclass
class Equations:
    """Figures by number in the order in which they were named; see the module docstring."""

    names: list[str] = field(default_factory=list)
    starts: list[float] = field(default_factory=list)
    readings: dict[int, Figure] = field(default_factory=dict)
    balances: list[tuple[str, Mapping[int, float]]] = field(default_factory=list)
    products: list[tuple[int, int, int]] = field(default_factory=list)
    made_of: dict[int, Mapping[int, float] | tuple[int, int]] = field(default_factory=dict)
    numbers: dict[str, int] = field(default_factory=dict)

    def unknown(self, name: str, start: float) -> int:
        """A figure to be found; `start` is a first guess and no information."""
        number = len(self.names)
        self.names.append(name)
        self.starts.append(start)
        self.numbers[name] = number
        return number

    def reading(self, name: str, figure: Figure) -> int:
        """A figure that was measured. One name is one reading, however often it is used."""
        if name in self.numbers:
            return self.numbers[name]
        number = self.unknown(name, figure.value)
        self.readings[number] = figure
        return number

    def balance(self, name: str, terms: Mapping[int, float]) -> None:
        """Sum of factor x figure = 0."""
        self.balances.append((name, terms))

    def sum_of(self, name: str, terms: Mapping[int, float]) -> int:
        """A new figure that is a sum of others."""
        start = sum(factor * self.starts[number] for number, factor in terms.items())
        number = self.unknown(name, start)
        self.balance(name, {**terms, number: -1.0})
        self.made_of[number] = terms
        return number

    def product_of(self, name: str, first: int, second: int) -> int:
        """A new figure that is a product of two others."""
        number = self.unknown(name, self.starts[first] * self.starts[second])
        self.tie_product(number, first, second)
        self.made_of[number] = (first, second)
        return number

    def tie_product(self, result: int, first: int, second: int) -> None:
        """Three figures there are already: result = first x second."""
        self.products.append((result, first, second))

    def measured(self, number: int, without: Collection[int] = ()) -> Figure | None:
        """A figure as its readings alone give it, without any balance; None when they do not."""
        if number in self.readings:
            return None if number in without else self.readings[number]
        parts = self.made_of.get(number)
        if parts is None:
            return None
        terms = [self.measured(part, without) for part in parts]
        known = [term for term in terms if term is not None]
        if len(known) < len(terms):
            return None
        if isinstance(parts, tuple):
            return product(known[0], known[1])
        return linear(known, list(parts.values()))

    def behind(self, number: int) -> set[int]:
        """The readings that `measured` rests on."""
        if number in self.readings:
            return {number}
        return set().union(*(self.behind(part) for part in self.made_of.get(number, ())))


@dataclass(frozen=True)
class Solution:
    """Estimates of all figures with their standard uncertainties; NaN = cannot be known.

    `linear` is the reconciliation of the last step, whose columns are the figures by number.
    """

    estimates: Floats
    sd: Floats
    linear: Reconciliation
    steps: int
    converged: bool

    def is_known(self, number: int) -> bool:
        return self.linear.observability.standing[number] is not Standing.UNOBSERVABLE


def solve(equations: Equations, without: Collection[int] = ()) -> Solution:
    """The best estimates; readings `without` are set aside as if they had not been taken.

    Raises InvalidError `contradiction` as `reconcile` does.
    """
    count = len(equations.names)
    values = np.full(count, np.nan)
    used = [number for number in equations.readings if number not in without]
    group = gather([equations.readings[number] for number in used])[0]
    values[used] = group.values
    spots = (np.array(used, dtype=np.int64), np.arange(len(used)))
    spread = csr_array(
        coo_array((np.ones(len(used)), spots), shape=(count, len(used))) @ group.factor
    )
    point = np.array(equations.starts, dtype=float)
    for step in range(1, STEPS_MAX + 1):
        matrix, target = _linearised(equations, point)
        result = reconcile(matrix, target, values, spread)
        point = np.where(np.isnan(result.reconciled), point, result.reconciled)
        if _products_hold(equations.products, result.reconciled):
            return Solution(result.reconciled, result.sd_after, result, step, converged=True)
    return Solution(result.reconciled, result.sd_after, result, STEPS_MAX, converged=False)


def _linearised(equations: Equations, point: Floats) -> tuple[csr_array, Floats]:
    rows: list[int] = []
    columns: list[int] = []
    entries: list[float] = []
    for row, (_, terms) in enumerate(equations.balances):
        rows += [row] * len(terms)
        columns += terms.keys()
        entries += terms.values()
    first_row = len(equations.balances)
    target = np.zeros(first_row + len(equations.products))
    for row, (result, first, second) in enumerate(equations.products, start=first_row):
        a, b = float(point[first]), float(point[second])
        rows += [row] * 3
        columns += [result, first, second]
        entries += [1.0, -b, -a]
        target[row] = -a * b
    shape = (len(target), len(equations.names))
    spots = (np.array(rows, dtype=np.int64), np.array(columns, dtype=np.int64))
    matrix = csr_array(coo_array((np.array(entries), spots), shape=shape))
    matrix.eliminate_zeros()
    return matrix, target


def _products_hold(products: Sequence[tuple[int, int, int]], estimates: Floats) -> bool:
    if not products:
        return True
    result, first, second = np.array(products).T
    missed = np.abs(estimates[result] - estimates[first] * estimates[second])
    size = np.maximum(np.abs(estimates[result]), SMALL)
    return bool(np.all((missed <= TOLERANCE * size) | np.isnan(missed)))
