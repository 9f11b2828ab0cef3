"""Is metal missing, and since when? The inventory difference, its limit of error and its sequence.

Sign: book less physical, so a positive difference is an apparent loss, as the IAEA and the US
regulator write material unaccounted for (US AEC Regulatory Guide 5.33, June 1974: beginning
inventory + receipts - removals - ending inventory). The UK regulator writes the opposite.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular
from scipy.optimize import brentq
from scipy.stats import norm

from reports.statistics.uncertainty import Figure, linear

Floats = NDArray[np.float64]

LIMIT_95: Final = float(norm.isf(0.025))
LIMIT_99: Final = float(norm.isf(0.005))
# Half of a loss of one standard deviation a month, the size the test is tuned to.
ALLOWANCE: Final = 0.5
STATES: Final = 120


class Verdict(Enum):
    """How a difference stands against its limit of error, two-sided."""

    WITHIN = "within its limit of error"
    SIGNIFICANT_95 = "significant at 95 %"
    SIGNIFICANT_99 = "significant at 99 %"


@dataclass(frozen=True)
class Difference:
    """Book less physical in the unit given, positive for an apparent loss.

    `limit_of_error_95` and `_99` are 1.960 u and 2.576 u.
    """

    difference: float
    u: float
    limit_of_error_95: float
    limit_of_error_99: float
    verdict: Verdict
    figure: Figure


def inventory_difference(
    beginning: Sequence[Figure],
    receipts: Sequence[Figure],
    removals: Sequence[Figure],
    ending: Sequence[Figure],
) -> Difference:
    """(Beginning + receipts) - (removals + ending), with the covariance of terms that share errors.

    Ignoring those covariances misstates the variance (J. L. Jaech, J. Inst. Nuclear Materials
    Management 1(2), 1972).
    """
    terms = [*beginning, *receipts, *removals, *ending]
    plus = len(beginning) + len(receipts)
    return judged(linear(terms, [1.0] * plus + [-1.0] * (len(terms) - plus)))


def judged(figure: Figure) -> Difference:
    """The verdict on a difference already formed (book less physical)."""
    return Difference(
        difference=figure.value,
        u=figure.u,
        limit_of_error_95=LIMIT_95 * figure.u,
        limit_of_error_99=LIMIT_99 * figure.u,
        verdict=verdict(figure.value, figure.u),
        figure=figure,
    )


def verdict(difference: float, u: float) -> Verdict:
    """Two-sided at 95 % and 99 %; any difference between exact figures is significant."""
    size = abs(difference)
    if size > LIMIT_99 * u:
        return Verdict.SIGNIFICANT_99
    return Verdict.SIGNIFICANT_95 if size > LIMIT_95 * u else Verdict.WITHIN


@dataclass(frozen=True)
class Sequential:
    """Months in a row; month numbers count from 0.

    `cumulative` is the sum to each month, with `cumulative_u`. `residuals` are the standardised
    differences made independent of the earlier months. `loss_sums` and `gain_sums` are Page's
    sums, which alarm above `limit`; `alarm_month` is the first to do so (None: no alarm) and
    `is_loss` its side. `rate` +- `rate_u` a month from `start_month` on is the likeliest steady
    loss (negative: gain), given whether or not there is an alarm.
    """

    cumulative: tuple[float, ...]
    cumulative_u: tuple[float, ...]
    residuals: tuple[float, ...]
    loss_sums: tuple[float, ...]
    gain_sums: tuple[float, ...]
    limit: float
    alarm_month: int | None
    is_loss: bool | None
    start_month: int
    rate: float
    rate_u: float
    rate_z: float


def sequence(differences: Sequence[Figure], *, alpha: float = 0.05) -> Sequential:
    """Test a run of monthly differences for a slow steady loss or gain.

    Successive differences share a count (one month's ending is the next one's beginning) and so are
    correlated; they are made independent first (Pike and Woods, Nuclear Safeguards Technology,
    IAEA-SM-260, 1983). Then Page's test (Biometrika 41, 1954, 100-115) runs both ways; both are
    cited from memory. Its limit is set so that months without loss raise an alarm with probability
    `alpha` over the whole sequence. The rate and its start are the maximum likelihood of a step in
    the mean. Raises ValueError for an empty sequence or a difference without
    uncertainty, which are our own mistakes.
    """
    values = np.array([figure.value for figure in differences], dtype=float)
    covariance = np.array([[a.covariance(b) for b in differences] for a in differences])
    return sequence_of(values, covariance, alpha=alpha)


def sequence_of(values: Floats, covariance: Floats, *, alpha: float = 0.05) -> Sequential:
    """The same from the differences and their covariance matrix."""
    count = len(values)
    if not count or np.any(np.diag(covariance) <= 0):
        raise ValueError("a sequence needs months, each with an uncertainty")
    lower = _cholesky(covariance)
    residuals = solve_triangular(lower, values, lower=True)
    limit = page_limit(count, alpha / 2)
    losses, gains = _page_sums(residuals), _page_sums(-residuals)
    alarms = np.flatnonzero(np.maximum(losses, gains) > limit)
    first = int(alarms[0]) if len(alarms) else None
    start, rate, rate_u = _steady_loss(values, lower)
    ones = np.tri(count)
    totals = np.einsum("ij,jk,ik->i", ones, covariance, ones)
    return Sequential(
        cumulative=tuple(np.cumsum(values).tolist()),
        cumulative_u=tuple(np.sqrt(np.maximum(totals, 0.0)).tolist()),
        residuals=tuple(residuals.tolist()),
        loss_sums=tuple(losses.tolist()),
        gain_sums=tuple(gains.tolist()),
        limit=limit,
        alarm_month=first,
        is_loss=None if first is None else bool(losses[first] >= gains[first]),
        start_month=start,
        rate=rate,
        rate_u=rate_u,
        rate_z=rate / rate_u,
    )


def _cholesky(covariance: Floats) -> Floats:
    """The factor; months that are sums of each other get the least extra variance that works."""
    size = np.sqrt(np.diag(covariance))
    correlation = covariance / np.outer(size, size)
    for extra in (0.0, 1e-12, 1e-10, 1e-8):
        try:
            lower = np.linalg.cholesky(correlation + extra * np.eye(len(size)))
        except np.linalg.LinAlgError:
            continue
        return np.asarray(size[:, None] * lower)
    raise ValueError("the covariance of the differences is not positive semi-definite")


def _page_sums(residuals: Floats) -> Floats:
    sums = np.empty(len(residuals))
    total = 0.0
    for month, residual in enumerate(residuals.tolist()):
        total = max(0.0, total + residual - ALLOWANCE)
        sums[month] = total
    return sums


def _steady_loss(values: Floats, lower: Floats) -> tuple[int, float, float]:
    """The start that explains most, and the loss a month from it on (generalised least squares).

    A difference in each month from the start on, whitened, is one known direction per start.
    """
    count = len(values)
    steps = np.tri(count)
    directions = solve_triangular(lower, steps, lower=True)
    residuals = solve_triangular(lower, values, lower=True)
    information = (directions**2).sum(axis=0)
    score = directions.T @ residuals
    start = int(np.argmax(score**2 / information))
    rate = float(score[start] / information[start])
    return start, rate, float(1 / math.sqrt(information[start]))


@lru_cache(maxsize=256)
def page_limit(count: int, alpha: float) -> float:
    """The limit that one-sided Page sums of `count` independent unit normals pass with `alpha`."""
    return float(brentq(lambda limit: alarm_probability(count, limit) - alpha, 0.05, 40.0))


def alarm_probability(count: int, limit: float) -> float:
    """P(some Page sum in `count` steps exceeds `limit`) without loss, by a Markov chain.

    D. Brook and D. A. Evans, Biometrika 59 (1972) 539-549 (from memory): the sum is rounded to
    states of equal width, the first around zero.
    """
    width = 2 * limit / (2 * STATES - 1)
    centre = width * np.arange(STATES)
    upper = norm.cdf(centre[None, :] + width / 2 - centre[:, None] + ALLOWANCE)
    move = np.diff(np.concatenate([np.zeros((STATES, 1)), upper], axis=1), axis=1)
    at = np.zeros(STATES)
    at[0] = 1.0
    for _ in range(count):
        at = at @ move
    return float(1.0 - at.sum())
