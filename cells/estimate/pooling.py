"""What several past runs say together of the next: partial pooling of few figures.

A run's own estimate holds what was believed beforehand too; that is taken out of it again, so that
runs that measured nothing teach nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from cells.estimate.facts import Figure, LearnedOf


@dataclass(frozen=True)
class Beforehand:
    """What is believed of a figure before any run, and how much it differs between runs."""

    value: float
    u: float
    between_runs: float


# As `priors` has them; the spread between runs is common practice, no source.
BEFOREHAND: Final[Mapping[LearnedOf, Beforehand]] = MappingProxyType(
    {
        "plated": Beforehand(0.956, 0.025, 0.006),
        "dissolved": Beforehand(0.977, 0.030, 0.006),
        "fall": Beforehand(0.90, 0.50, 0.15),
        "contact": Beforehand(0.0625, 0.033, 0.012),
        "ending": Beforehand(0.375, 0.13, 0.06),
        "sooner": Beforehand(1.40, 0.28, 0.10),
    }
)
# A run teaches nothing of a figure that it narrowed to no less than this part of what was believed.
NARROWED: Final = 0.9


def pooled(runs: Sequence[Figure], before: Beforehand) -> Figure | None:
    """The figure of the next run, or None where no run says anything of it.

    Normal with known variances: each run is the cell's own figure with the spread between runs and
    its own uncertainty. Source: A. Gelman et al., Bayesian Data Analysis, normal model with known
    variance (from memory).
    """
    precision = weighted = 0.0
    for run in runs:
        if run.u > NARROWED * before.u:
            continue
        own = 1.0 / run.u**2 - 1.0 / before.u**2
        value = (run.value / run.u**2 - before.value / before.u**2) / own
        weight = 1.0 / (1.0 / own + before.between_runs**2)
        precision += weight
        weighted += weight * value
    if not precision:
        return None
    return Figure(weighted / precision, (1.0 / precision + before.between_runs**2) ** 0.5)
