"""The most likely figures under each law and each kind of loss, and how widely they spread.

All combinations are fitted at once by damped Gauss-Newton steps on standard normals, with errors
of Student's t form, so that one wrong figure pulls little. The spread is the curvature's; every
combination is weighed by its evidence in Laplace's approximation.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from cells.estimate.laws import LAWS
from cells.estimate.paths import Course, Held, course_of, held_at
from cells.estimate.priors import LOSS_KINDS, SIZE, draw

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cells.estimate.facts import RunFacts

    Floats = NDArray[np.float64]

BLOCKS_MAX: Final = 48
STEP: Final = 1e-4
ROUNDS: Final = 30
TOLERANCE: Final = 2e-3
# Degrees of freedom of the errors of a figure, and the size beyond which a reading counts less.
T_DEGREES: Final = 4.0
READING_BEND: Final = 2.5
READING_CUT: Final = 3.0
# What is believed of the scatter of readings before any was taken: 1 % with so many degrees.
SCATTER: Final = 0.01
SCATTER_DEGREES: Final = 4.0
# How sharply the end of the run fixes the share of the anode that has passed.
END_SHARP: Final = 0.003
# A law's evidence counts for this power of itself: no law is true, and scatter is not independent.
EVIDENCE_POWER: Final = 0.7
# However well a named law does, the general one counts for this much: no law is true.
GENERAL_SHARE: Final = 0.25
MENDING_STEPS: Final = 4
MENDED: Final = 0.05


@dataclass(frozen=True, eq=False)
class Blocks:
    """Readings, averaged where there are many: powered hours, ln(amperes), how many in each."""

    hours: Floats
    log_a: Floats
    counts: Floats


@dataclass(frozen=True, eq=False)
class Fitted:
    """A row for each law and kind of loss: the standard normals, their spread, and the weight.

    `root` turns independent normals into the row's own. `residuals` are those at `z`, `slopes` how
    they change with each normal, and `gain` brings a change of them back to the normals.
    """

    law: NDArray[np.intp]
    loss: NDArray[np.intp]
    z: Floats
    root: Floats
    weight: Floats
    residuals: Floats
    slopes: Floats
    gain: Floats


def block_readings(facts: RunFacts) -> Blocks:
    """The readings by powered hours, in order, in at most `BLOCKS_MAX` blocks of equal time."""
    hours = np.asarray(facts.hours, dtype=float)
    current = np.asarray(facts.current_a, dtype=float)
    known = (current > 0.0) & (hours <= facts.last_h)
    hours, log_a = facts.powered(hours[known]), np.log(current[known])
    order = np.lexsort((log_a, hours))
    hours, log_a = hours[order], log_a[order]
    if len(hours) <= BLOCKS_MAX:
        return Blocks(hours, log_a, np.ones(len(hours)))
    width = max((hours[-1] - hours[0]) / BLOCKS_MAX, 1e-9)
    block = np.minimum(((hours - hours[0]) / width).astype(int), BLOCKS_MAX - 1)
    counts = np.bincount(block, minlength=BLOCKS_MAX).astype(float)
    full = counts > 0
    counts_or_1 = np.maximum(counts, 1.0)
    at = np.bincount(block, hours, BLOCKS_MAX) / counts_or_1
    middle = np.bincount(block, log_a, BLOCKS_MAX) / counts_or_1
    # A reading far from its block's middle is cut back to three spreads of the block.
    apart = log_a - middle[block]
    spread = np.sqrt(np.bincount(block, apart**2, BLOCKS_MAX) / counts_or_1)
    limit = 3.0 * np.median(spread[full]) + 1e-6
    cut = middle[block] + np.clip(apart, -limit, limit)
    middle = np.bincount(block, cut, BLOCKS_MAX) / counts_or_1
    return Blocks(at[full], middle[full], counts[full])


class Problem:
    """Residuals of a run's facts, for any rows of standard normals."""

    def __init__(self, facts: RunFacts, left_out: int | None = None) -> None:
        order = sorted(
            facts.measured, key=lambda each: (each.hours, each.quantity, each.found.value)
        )
        self.facts = replace(facts, measured=order)
        self.blocks = block_readings(facts)
        first = self.blocks.log_a[:3]
        self.first_a = float(np.exp(np.median(first))) if first.size else _guessed_current(facts)
        self.when = np.array([each.hours for each in order])
        told, bath = facts.feed.told, facts.bath
        start = [
            *((("feed", metal), told[metal]) for metal in sorted(told)),
            *((("bath", metal), bath.per_l[metal]) for metal in sorted(bath.per_l)),
            (("bath", "volume"), bath.volume_l),
        ]
        if bath.acid_mol_per_l is not None:
            start.append((("bath", "acid"), bath.acid_mol_per_l))
        self.start = [name for name, _ in start]
        figures = [*(figure for _, figure in start), *(each.found for each in order)]
        self.names = [
            *(f"{what} {of}" for what, of in self.start),
            *(each.name or each.quantity for each in order),
        ]
        self.found = np.array([figure.value for figure in figures])
        self.u = np.array([figure.u for figure in figures])
        self.counts = np.array([float(number != left_out) for number in range(len(figures))])
        self.learned = sorted(facts.learned, key=lambda each: (each.of, each.found.value))
        self.last = np.array([facts.last_h])

    def courses(self, z: Floats, law: NDArray[np.intp], loss: NDArray[np.intp]) -> Course:
        """The course of each row."""
        return course_of(draw(z, loss, self.facts, self.first_a), law)

    def residuals(
        self, z: Floats, law: NDArray[np.intp], loss: NDArray[np.intp]
    ) -> tuple[Floats, Floats, Floats]:
        """Of the readings, as they are; of the figures and of what past runs taught, by their u."""
        course = self.courses(z, law, loss)
        drawn = course.drawn
        readings = self.blocks.log_a - course.log_current_at(self.blocks.hours)
        figures = self.counts * (self.found - self.expected(course)) / self.u
        sure = [
            (figure.found.value - _taught(course, figure.of)) / figure.found.u
            for figure in self.learned
        ]
        if self.facts.last_h > 0.0:
            spent = self.facts.powered(self.last)
            over = (spent[0] - course.hours_at(course.end_share)) * (
                np.exp(course.log_current_at(spent))[:, 0] / drawn.metered_ah
            )
            if self.facts.ended_h is None:
                over = np.maximum(over, 0.0)
            sure.append(np.clip(over, -2.0, 2.0) / END_SHARP)
        return readings, figures, np.array(sure).reshape(-1, len(z)).T

    def expected(self, course: Course) -> Floats:
        """What each figure should be, those of the start first, by row."""
        share = course.share_at(self.facts.powered(self.when))
        held = held_at(course, self.facts, self.when, share)
        columns = [
            quantity_of(held, each.quantity)[:, number]
            for number, each in enumerate(self.facts.measured)
        ]
        return np.array([*self._at_start(course), *columns]).T

    def _at_start(self, course: Course) -> list[Floats]:
        drawn = course.drawn
        bath = {metal: grams / drawn.volume_l for metal, grams in drawn.bath_g.items()}
        bath |= {"volume": drawn.volume_l, "acid": drawn.acid_mol / drawn.volume_l}
        return [(drawn.feed if what == "feed" else bath)[of] for what, of in self.start]


def quantity_of(held: Held, quantity: str) -> Floats:
    """One measurable quantity of what is held."""
    per_l = {
        "silver_g_per_l": held.silver_g,
        "copper_g_per_l": held.copper_g,
        "palladium_g_per_l": held.palladium_g,
        "acid_mol_per_l": held.acid_mol,
    }
    if quantity in per_l:
        return per_l[quantity] / held.volume_l
    if quantity == "slimes_g":
        return sum(held.slimes_g.values(), np.zeros_like(held.volume_l))
    found: Floats = {
        "volume_l": held.volume_l,
        "anode_left_g": held.anode_left_g,
        "crystal_g": held.plated_g,
    }[quantity]
    return found


def _taught(course: Course, of: str) -> Floats:
    drawn = course.drawn
    if of == "plated":
        return drawn.at_cathode * drawn.gain
    if of == "dissolved":
        return drawn.at_anode * drawn.gain
    found: Floats = getattr(drawn, of)
    return found


def _guessed_current(facts: RunFacts) -> float:
    """Without a reading: the current that would use the anode up in five days."""
    return facts.anode_g / 3.6 / 120.0


def fit(problem: Problem) -> Fitted:
    """Every law with every kind of loss, fitted."""
    kinds = len(LOSS_KINDS)
    law = np.repeat(np.arange(len(LAWS)), kinds)
    loss = np.tile(np.arange(kinds), len(LAWS))
    z = np.zeros((len(law), SIZE))
    damping = np.full(len(law), 1e-3)
    costs = _cost(problem, z, law, loss)
    for _ in range(ROUNDS):
        curvature, slope, *_ = _curvature(problem, z, law, loss)
        steps = -np.linalg.solve(
            curvature + damping[:, None, None] * np.eye(SIZE), slope[:, :, None]
        )[:, :, 0]
        longest = np.abs(steps).max(axis=1, keepdims=True)
        steps *= np.minimum(1.0, 1.5 / np.maximum(longest, 1e-12))
        tried = np.clip(z + steps, -8.0, 8.0)
        new_costs = _cost(problem, tried, law, loss)
        better = new_costs <= costs + 1e-9
        gained = np.where(better, costs - new_costs, 0.0)
        z = np.where(better[:, None], tried, z)
        costs = np.where(better, new_costs, costs)
        damping = np.clip(np.where(better, damping * 0.2, damping * 8.0 + 1e-2), 1e-6, 1e6)
        if gained.max() < TOLERANCE and better.all():
            break
    curvature, _, whole, slopes, weights = _curvature(problem, z, law, loss)
    lower = np.linalg.cholesky(curvature)
    inverse = np.linalg.inv(lower)
    root = np.transpose(inverse, (0, 2, 1))
    log_weight = -costs - np.log(np.diagonal(lower, axis1=1, axis2=2)).sum(axis=1)
    # Bounded, so that no kind of law has a weight of nothing, which can't be scaled up.
    log_weight = np.maximum(EVIDENCE_POWER * (log_weight - log_weight.max()), -600.0)
    weight = np.exp(log_weight) * np.array([share for _, share in LOSS_KINDS])[loss]
    weight /= weight.sum()
    general = law == len(LAWS) - 1
    short = GENERAL_SHARE - weight[general].sum()
    if short > 0.0:
        weight[~general] *= (1.0 - GENERAL_SHARE) / weight[~general].sum()
        weight[general] *= GENERAL_SHARE / weight[general].sum()
    gain = (root @ inverse) @ (slopes * weights[:, None, :])
    return Fitted(law, loss, z, root, weight, whole, slopes, gain)


def draws_of(problem: Problem, fitted: Fitted, normals: Floats) -> Course:
    """Equally likely draws: each combination in proportion to its weight.

    A draw along the curvature misses what the figures pin down where the run is not linear in the
    normals; steps back along the same curvature mend that (the idea is that of J. M. Bardsley et
    al., "Randomize-then-optimize", SIAM J. Sci. Comput. 36 (2014), from memory).
    """
    count = len(normals)
    ends = np.cumsum(fitted.weight)
    chosen = np.searchsorted(ends, (np.arange(count) + 0.5) / count * ends[-1])
    law, loss = fitted.law[chosen], fitted.loss[chosen]
    apart = np.empty_like(normals)
    wanted = np.empty((count, fitted.residuals.shape[1]))
    for number in np.unique(chosen):
        rows = chosen == number
        apart[rows] = normals[rows] @ fitted.root[number].T
        wanted[rows] = fitted.residuals[number] + apart[rows] @ fitted.slopes[number]
    z = fitted.z[chosen] + apart
    last, step = z, np.zeros_like(z)
    length = np.full(count, np.inf)
    for _ in range(MENDING_STEPS):
        over = np.concatenate(problem.residuals(z, law, loss), axis=1) - wanted
        wished = np.empty_like(z)
        for number in np.unique(chosen):
            rows = chosen == number
            wished[rows] = -over[rows] @ fitted.gain[number].T
        # A step after which there is more to mend than before is gone back on, and made shorter.
        size = np.abs(wished).max(axis=1)
        if np.quantile(size, 0.98) < MENDED:
            break
        better = size < length
        last = np.where(better[:, None], z, last)
        step = np.where(better[:, None], wished / np.maximum(1.0, size)[:, None], 0.3 * step)
        length = np.where(better, size, length)
        z = np.clip(last + step, -8.0, 8.0)
    return problem.courses(z, law, loss)


def _cost(problem: Problem, z: Floats, law: NDArray[np.intp], loss: NDArray[np.intp]) -> Floats:
    """Less the logarithm of the posterior density, by row."""
    readings, figures, sure = problem.residuals(z, law, loss)
    scatter = _scatter(problem, readings)
    size = np.abs(readings) / scatter[:, None]
    cost = (SCATTER_DEGREES + len(problem.blocks.counts)) * np.log(scatter)
    # Within the cut a reading is in the scatter already; beyond it counts in proportion.
    cost += READING_BEND * np.maximum(size - READING_CUT, 0.0).sum(axis=1)
    cost += (0.5 * T_DEGREES * np.log1p(figures**2 / T_DEGREES)).sum(axis=1)
    cost += 0.5 * (sure**2).sum(axis=1) + 0.5 * (z**2).sum(axis=1)
    return cost


def _scatter(problem: Problem, readings: Floats) -> Floats:
    """The readings' scatter by row, from the residuals and from what is believed beforehand.

    A residual counts for no more than `READING_CUT` times the scatter itself.
    """
    count = len(problem.blocks.counts)
    believed = max(SCATTER, problem.facts.u_reading_a / problem.first_a)
    if not count:
        return np.full(len(readings), believed)
    scatter = np.maximum(np.median(np.abs(readings), axis=1) / 0.6745, believed)
    for _ in range(3):
        cut = np.minimum(np.abs(readings), READING_CUT * scatter[:, None])
        squares = SCATTER_DEGREES * believed**2 + (cut**2).sum(axis=1)
        scatter = np.sqrt(squares / (SCATTER_DEGREES + count))
    return scatter


def _curvature(
    problem: Problem, z: Floats, law: NDArray[np.intp], loss: NDArray[np.intp]
) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Curvature and slope of the cost at each row, then the residuals, their slopes
    by small steps of every normal, and their weights."""
    count = len(z)
    moved = z[:, None, :] + np.vstack([np.zeros(SIZE), STEP * np.eye(SIZE)])
    each = SIZE + 1
    parts = problem.residuals(moved.reshape(-1, SIZE), np.repeat(law, each), np.repeat(loss, each))
    readings, figures, sure = (part.reshape(count, each, -1) for part in parts)
    scatter = _scatter(problem, readings[:, 0])
    size = np.abs(readings[:, 0]) / scatter[:, None]
    weights = np.concatenate(
        [
            np.minimum(1.0, READING_BEND / np.maximum(size, 1e-12)) / scatter[:, None] ** 2,
            T_DEGREES / (T_DEGREES + figures[:, 0] ** 2),
            np.ones((count, sure.shape[2])),
        ],
        axis=1,
    )
    whole = np.concatenate([readings, figures, sure], axis=2)
    slopes = (whole[:, 1:] - whole[:, :1]) / STEP
    weighed = slopes * weights[:, None, :]
    curvature = weighed @ np.transpose(slopes, (0, 2, 1)) + np.eye(SIZE)
    slope = (weighed @ whole[:, 0, :, None])[:, :, 0] + z
    return curvature, slope, whole[:, 0], slopes, weights
