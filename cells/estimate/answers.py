"""What a run holds now and what lies ahead of it, each with its 95 % interval."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.special import ndtri
from scipy.stats.qmc import Sobol

from cells.estimate.fit import SCATTER, Problem, draws_of, fit
from cells.estimate.laws import LAWS
from cells.estimate.paths import Course, Held, held_at
from cells.estimate.priors import LOSS_KINDS, SIZE

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cells.estimate.facts import RunFacts

    Floats = NDArray[np.float64]

DRAWS: Final = 512
# The first points of a Sobol sequence are not yet spread evenly in so many columns.
SKIPPED: Final = 1024
COVERAGE: Final = 0.95
# A figure this many standard deviations off what the others make of it is named and left aside.
DOUBTED: Final = 5.0
# From here on it is tried whether leaving it aside makes it so.
SUSPECTED: Final = 3.5


@dataclass(frozen=True)
class Range:
    """A figure not known for certain: its middle, standard uncertainty and 95 % interval."""

    value: float
    u: float
    low: float
    high: float


@dataclass(frozen=True)
class Doubt:
    """A figure that does not fit the others, with what it should have been."""

    name: str
    found: float
    should_be: Range
    deviations: float


@dataclass(frozen=True, eq=False)
class Estimate:
    """Draws of everything about a run, and what can be asked of them."""

    facts: RunFacts
    course: Course
    laws: dict[str, float]
    losses: dict[str, float]
    doubts: tuple[Doubt, ...]

    def at(self, hours: float) -> Held:
        """What there is at a moment by the clock, power staying on from now; a column of draws."""
        facts = self.facts
        spent = float(facts.powered(np.array([min(hours, facts.now_h)]))[0])
        ahead = max(hours - facts.now_h, 0.0) if facts.last_h == facts.now_h else 0.0
        share = self.course.share_at(np.array([spent + ahead]))
        return held_at(self.course, facts, np.array([hours]), share)

    def range_at(self, hours: float, quantity: Callable[[Held], Floats]) -> Range:
        """One quantity at a moment."""
        return range_of(quantity(self.at(hours))[:, 0])

    def at_end(self) -> Held:
        """What there is when no more current passes, water lost until then taken off."""
        hours = float(np.median(self.end_h))
        return held_at(self.course, self.facts, np.array([hours]), self.course.end_share[:, None])

    @property
    def end_h(self) -> Floats:
        """When no more current passes, by the clock, in every draw."""
        return self.clock(self.course.hours_at(self.course.end_share))

    def dissolved_h(self, share: float) -> Floats:
        """When a share of what can dissolve has, by the clock, or when contact is lost before."""
        course = self.course
        grid = np.linspace(share - 0.1, min(share + 0.1, 0.999), 41)
        held = held_at(
            course, self.facts, np.full(41, self.facts.now_h), np.tile(grid, (len(course.hours), 1))
        )
        at = np.argmax(held.dissolved >= share, axis=1)
        return self.clock(course.hours_at(np.minimum(grid[at], course.end_share)))

    def clock(self, powered_h: Floats) -> Floats:
        """Powered hours ahead as hours by the clock, power staying on."""
        facts = self.facts
        spent = float(facts.powered(np.array([facts.last_h]))[0])
        return facts.last_h + powered_h - spent


def estimate(facts: RunFacts) -> Estimate:
    """The run as everything known of it makes it, one wrong figure left aside and named."""
    problem = Problem(facts)
    fitted = fit(problem)
    course = draws_of(problem, fitted, _NORMALS)
    worst = _worst(problem, course)
    doubts = _doubted_readings(problem, course)
    if worst is not None:
        problem = Problem(facts, left_out=worst)
        fitted = fit(problem)
        course = draws_of(problem, fitted, _NORMALS)
        doubts = (*_doubt(problem, course, worst), *_doubted_readings(problem, course))
    laws = {name: 0.0 for name, _, _ in LAWS}
    losses = {name: 0.0 for name, _ in LOSS_KINDS}
    for law, loss, weight in zip(fitted.law, fitted.loss, fitted.weight, strict=True):
        laws[LAWS[law][0]] += float(weight)
        losses[LOSS_KINDS[loss][0]] += float(weight)
    return Estimate(problem.facts, course, laws, losses, doubts)


def range_of(values: Floats) -> Range:
    """The middle and the 95 % interval of equally likely draws."""
    outside = 0.5 * (1.0 - COVERAGE)
    low, middle, high = np.quantile(values, [outside, 0.5, 1.0 - outside], method="nearest")
    spread = float(values.std()) if np.isfinite(values).all() else float("inf")
    return Range(float(middle), spread, float(low), float(high))


def _worst(problem: Problem, course: Course) -> int | None:
    """Which figure is furthest off what the others would make of it, if it is far off.

    With h the share of a figure's variance that is left when it counts itself, its distance from
    what the others say is larger by 1 / sqrt(1 - h) (the leverage of least squares).
    """
    expected = problem.expected(course)
    leverage = np.clip(expected.var(axis=0) / problem.u**2, 0.0, 0.75)
    off = np.abs(problem.found - np.median(expected, axis=0)) / problem.u
    off /= np.sqrt(1.0 - leverage)
    worst = int(off.argmax())
    return worst if off[worst] > SUSPECTED else None


def _doubt(problem: Problem, course: Course, number: int) -> tuple[Doubt, ...]:
    """A figure that was left aside, beside what the others make of it."""
    should_be = range_of(problem.expected(course)[:, number])
    found = float(problem.found[number])
    off = abs(found - should_be.value) / float(np.hypot(problem.u[number], should_be.u))
    return (Doubt(problem.names[number], found, should_be, off),) if off > DOUBTED else ()


def _doubted_readings(problem: Problem, course: Course) -> tuple[Doubt, ...]:
    """Readings of the ammeter that lie far from the course; they pull it little as it is."""
    blocks = problem.blocks
    if not len(blocks.hours):
        return ()
    apart = blocks.log_a - course.log_current_at(blocks.hours)
    middle = np.median(apart, axis=0)
    scatter = max(float(np.median(np.abs(middle))) / 0.6745, SCATTER)
    spread = np.hypot(scatter, apart.std(axis=0))
    return tuple(
        Doubt(
            f"current at {blocks.hours[number]:.1f} h under power",
            float(np.exp(blocks.log_a[number])),
            range_of(np.exp(blocks.log_a[number] - apart[:, number])),
            float(abs(middle[number]) / spread[number]),
        )
        for number in np.flatnonzero((np.abs(middle) > DOUBTED * spread) & (blocks.counts == 1))
    )


def _normals() -> Floats:
    """Evenly spread standard normals in mirrored pairs: the same run always has the same answer.

    Each column takes the same evenly spread values, in the order of a Sobol sequence's column.
    """
    half = DRAWS // 2
    order = Sobol(SIZE, scramble=False).fast_forward(SKIPPED).random(half).argsort(axis=0)
    ranks = order.argsort(axis=0)
    values = ndtri((ranks + 0.5) / half)
    return np.vstack([values, -values])[np.arange(DRAWS).reshape(2, half).T.ravel()]


_NORMALS: Final = _normals()
