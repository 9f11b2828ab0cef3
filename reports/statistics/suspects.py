"""Which measurement is most likely wrong, by how much, and which others could explain it as well?

Tests of Narasimhan and Jordache, Data Reconciliation and Gross Error Detection (Gulf 2000),
chapters 7 and 8: global, nodal and measurement test (maximum power form, Tamhane 1982, which for
independent measurements is the adjustment over its standard uncertainty) and the generalised
likelihood ratio with serial compensation (Narasimhan and Mah, AIChE J. 33, 1987, 1514-1521). The
chapter numbers and the papers are cited from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csc_array, csr_array
from scipy.stats import chi2, norm

from reports.statistics.observability import Standing
from reports.statistics.reconcile import Reconciliation

Floats = NDArray[np.float64]

ALPHA: Final = 0.05
SUSPECTS_MAX: Final = 8
# Two error directions this parallel cannot be told apart by any measurement on the books.
PARALLEL: Final = 1.0 - 1e-9
# Half of it is the log-likelihood a 95 % interval allows: a rival this close is named too.
RIVAL_DROP: Final = float(chi2.ppf(0.95, 1))
EXHAUSTED: Final = 1e-9


@dataclass(frozen=True)
class MeasurementTest:
    """z of one checked measurement, positive when it reads high against the others.

    `p_sidak` and `p_holm` allow for the number of measurements tested together; `flagged` is
    p_sidak below the level. `equivalent` are the measurements that give the same |z| whatever the
    readings: this test cannot tell them apart.
    """

    index: int
    z: float
    p_value: float
    p_sidak: float
    p_holm: float
    flagged: bool
    equivalent: tuple[int, ...]


@dataclass(frozen=True)
class NodalTest:
    """How far one balance (or the sum of the balances `rows`) misses, against its uncertainty."""

    rows: tuple[int, ...]
    residual: float
    u: float
    z: float
    p_value: float
    p_sidak: float
    p_holm: float
    flagged: bool


@dataclass(frozen=True)
class Suspect:
    """A measurement with a gross error: `bias` is what it reads too high (negative: too low).

    `z` is the test value when it was found; `equivalent` pairs each indistinguishable measurement
    with the bias it would have instead; `rivals` fit nearly as well (within a 95 % interval).
    """

    index: int
    bias: float
    u: float
    z: float
    equivalent: tuple[tuple[int, float], ...]
    rivals: tuple[int, ...]


@dataclass(frozen=True)
class Doubt:
    """The verdicts together: global test, single tests, and the suspects in order of suspicion.

    `statistic_left`, `dof_left` and `p_left` are the global test once the suspects' readings are
    set aside. `limit` is the two-sided Sidak limit for |z|.
    """

    alpha: float
    statistic: float
    dof: int
    p_value: float
    global_limit: float
    global_failed: bool
    limit: float
    measurement_tests: tuple[MeasurementTest, ...]
    nodal_tests: tuple[NodalTest, ...]
    suspects: tuple[Suspect, ...]
    statistic_left: float
    dof_left: int
    p_left: float


def sidak_limit(alpha: float, count: int) -> float:
    """The two-sided limit for the largest |z| of `count` tests at overall level `alpha`."""
    if count < 1:
        return math.inf
    return float(norm.isf(-math.expm1(math.log1p(-alpha) / count) / 2))


def sidak_p(p_values: Floats) -> Floats:
    """1 - (1 - p)^n for each of n p-values, accurate for small ones (Sidak 1967; from memory)."""
    with np.errstate(divide="ignore"):
        return np.asarray(-np.expm1(len(p_values) * np.log1p(-p_values)))


def holm_p(p_values: Floats) -> Floats:
    """Step-down p-values (Holm, Scand. J. Statist. 6, 1979, 65-70; from memory)."""
    count = len(p_values)
    order = np.argsort(p_values)
    steps = np.maximum.accumulate((count - np.arange(count)) * p_values[order])
    result = np.empty(count)
    result[order] = np.minimum(steps, 1.0)
    return result


def find_suspects(
    result: Reconciliation, *, alpha: float = ALPHA, suspects_max: int = SUSPECTS_MAX
) -> Doubt:
    """Run all tests on a reconciliation at overall level `alpha` (each family by itself).

    Measurements are added one at a time, each the best explanation of what the earlier ones leave,
    until none passes the Sidak limit. Nothing is corrected.
    """
    search = _Search(result, alpha)
    chosen = search.serial(suspects_max)
    explained = search.explained(chosen)
    statistic_left = max(result.statistic - explained, 0.0)
    dof_left = result.dof - len(chosen)
    global_limit = float(chi2.isf(alpha, result.dof)) if result.dof else math.inf
    return Doubt(
        alpha=alpha,
        statistic=result.statistic,
        dof=result.dof,
        p_value=result.p_value,
        global_limit=global_limit,
        global_failed=result.statistic > global_limit,
        limit=search.limit,
        measurement_tests=_measurement_tests(search, alpha),
        nodal_tests=_nodal_tests(result, alpha),
        suspects=search.describe(chosen),
        statistic_left=statistic_left,
        dof_left=dof_left,
        p_left=float(chi2.sf(statistic_left, dof_left)) if dof_left else 1.0,
    )


def plain_words(name: str, bias: float, u: float, unit: str, advice: str) -> str:
    """ "weighing W reads about 100 g high; re-weigh this lot first", figures rounded to sense."""
    side = "high" if bias > 0 else "low"
    figure = _rounded(abs(bias), u)
    return f"{name} reads about {figure} {unit} {side}; {advice}"


def _rounded(size: float, u: float) -> str:
    """`size` to two digits, or to the first digit of its uncertainty if that is coarser."""
    if size == 0:
        return "0"
    place = math.floor(math.log10(size)) - 1
    if u > 0:
        place = max(place, min(math.floor(math.log10(u)), place + 1))
    step = 10.0**place
    return f"{round(size / step) * step:.{max(-place, 0)}f}"


class _Search:
    """The score and information of every possible single error, and what is left given others."""

    def __init__(self, result: Reconciliation, alpha: float) -> None:
        self.checks = result.reduction.matrix
        self.fit = result.fit
        self.dof = result.dof
        self.score = np.asarray(self.checks.T @ result.fit.multipliers)
        self.information = result.fit.information
        redundant = [s is Standing.REDUNDANT for s in result.observability.standing]
        self.testable = np.flatnonzero(np.array(redundant) & (self.information > 0))
        self.limit = sidak_limit(alpha, len(self.testable))
        self._columns: dict[int, Floats] = {}

    def column(self, index: int) -> Floats:
        """G^T S^-1 g of one measurement: its information shared with every other."""
        if index not in self._columns:
            dense = csc_array(self.checks[:, [index]]).toarray()
            self._columns[index] = np.asarray(self.checks.T @ self.fit.inverse_times(dense))[:, 0]
        return self._columns[index]

    def shared(self, chosen: list[int]) -> tuple[Floats, Floats]:
        """The columns of `chosen`, and their own information matrix."""
        cross = np.column_stack([self.column(index) for index in chosen])
        return cross, cross[chosen]

    def left(self, chosen: list[int]) -> tuple[Floats, Floats]:
        """Score and information of every measurement once `chosen` have free errors."""
        if not chosen:
            return self.score, self.information
        cross, own = self.shared(chosen)
        weights = np.linalg.solve(own, cross.T)
        score = self.score - weights.T @ self.score[chosen]
        information = self.information - np.einsum("ij,ji->i", cross, weights)
        spent = information <= EXHAUSTED * self.information
        return np.where(spent, 0.0, score), np.where(spent, 0.0, information)

    def z(self, chosen: list[int]) -> Floats:
        score, information = self.left(chosen)
        safe = np.where(information > 0, information, 1.0)
        return np.asarray(np.where(information > 0, score / np.sqrt(safe), 0.0))

    def explained(self, chosen: list[int]) -> float:
        if not chosen:
            return 0.0
        own = self.shared(chosen)[1]
        return float(self.score[chosen] @ np.linalg.solve(own, self.score[chosen]))

    def serial(self, suspects_max: int) -> list[int]:
        chosen: list[int] = []
        while len(chosen) < min(suspects_max, self.dof):
            size = np.abs(self.z(chosen))[self.testable]
            best = int(np.argmax(size)) if len(size) else 0
            if not len(size) or size[best] <= self.limit:
                break
            chosen.append(int(self.testable[best]))
        return chosen

    def equivalents(self, index: int, others: list[int]) -> list[tuple[int, float]]:
        """Measurements whose error looks the same as that of `index`, with the ratio of the two."""
        _, information = self.left(others)
        column = self.column(index)
        if others:
            cross, own = self.shared(others)
            column = column - cross @ np.linalg.solve(own, cross[index])
        size = np.sqrt(information * information[index])
        alike = np.flatnonzero((size > 0) & (np.abs(column) >= PARALLEL * size))
        kept = np.intersect1d(alike, self.testable)
        return [(int(j), float(column[j] / information[j])) for j in kept if j != index]

    def describe(self, chosen: list[int]) -> tuple[Suspect, ...]:
        found = []
        for index in chosen:
            others = _others(chosen, index)
            score, information = self.left(others)
            bias = float(score[index] / information[index])
            z = self.z(others)
            same = self.equivalents(index, others)
            known = {index, *others, *(j for j, _ in same)}
            close = np.flatnonzero(z**2 >= z[index] ** 2 - RIVAL_DROP)
            rivals = [j for j in np.intersect1d(close, self.testable).tolist() if j not in known]
            found.append(
                Suspect(
                    index=index,
                    bias=bias,
                    u=float(1 / np.sqrt(information[index])),
                    z=float(z[index]),
                    equivalent=tuple((j, bias * ratio) for j, ratio in same),
                    rivals=tuple(sorted(rivals, key=lambda j: -abs(z[j]))),
                )
            )
        return tuple(sorted(found, key=lambda suspect: -abs(suspect.z)))


def _others(chosen: list[int], index: int) -> list[int]:
    return [other for other in chosen if other != index]


def _measurement_tests(search: _Search, alpha: float) -> tuple[MeasurementTest, ...]:
    if not len(search.testable):
        return ()
    z = search.z([])[search.testable]
    p_values = 2 * norm.sf(np.abs(z))
    sidak, holm = sidak_p(p_values), holm_p(p_values)
    groups = _parallel_columns(search.checks, search.testable)
    return tuple(
        MeasurementTest(
            index=int(index),
            z=float(z[k]),
            p_value=float(p_values[k]),
            p_sidak=float(sidak[k]),
            p_holm=float(holm[k]),
            flagged=bool(sidak[k] < alpha),
            equivalent=tuple(j for j in groups[int(index)] if j != index),
        )
        for k, index in enumerate(search.testable.tolist())
    )


def _parallel_columns(checks: csr_array, testable: NDArray[np.int64]) -> dict[int, list[int]]:
    """Columns that are multiples of each other, whatever the uncertainties."""
    by_column = csc_array(checks)
    by_column.sort_indices()
    groups: dict[tuple[object, ...], list[int]] = {}
    for index in testable.tolist():
        start, end = by_column.indptr[index], by_column.indptr[index + 1]
        shape = np.round(by_column.data[start:end] / by_column.data[start], 9)
        key = (tuple(by_column.indices[start:end].tolist()), tuple(shape.tolist()))
        groups.setdefault(key, []).append(index)
    return {index: group for group in groups.values() for index in group}


def _nodal_tests(result: Reconciliation, alpha: float) -> tuple[NodalTest, ...]:
    u = result.check_u
    tested = np.flatnonzero(u > 0)
    if not len(tested):
        return ()
    residual = result.check_residuals[tested]
    z = residual / u[tested]
    p_values = 2 * norm.sf(np.abs(z))
    sidak, holm = sidak_p(p_values), holm_p(p_values)
    rows = result.reduction.combination
    return tuple(
        NodalTest(
            rows=tuple(sorted(rows.indices[rows.indptr[row] : rows.indptr[row + 1]].tolist())),
            residual=float(residual[k]),
            u=float(u[row]),
            z=float(z[k]),
            p_value=float(p_values[k]),
            p_sidak=float(sidak[k]),
            p_holm=float(holm[k]),
            flagged=bool(sidak[k] < alpha),
        )
        for k, row in enumerate(tested.tolist())
    )
