"""What does a slimes bag hold before anyone has opened it, how sure is that, and which bag is next?

The charge's contents say what the bag should hold; what past bags gave says how far to believe it.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

import numpy as np

from cells.electrochemistry.checked_numbers import checked
from cells.electrochemistry.estimated import COVERAGE_FACTOR
from config.refusals import refuse
from lots.elements import METALS

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

COVERAGE: Final = 0.95


@dataclass(frozen=True)
class Share:
    """A fraction (0 to 1) with its standard uncertainty. Raises `too_small` or `too_large`."""

    value: float
    u: float

    def __post_init__(self) -> None:
        checked(self.value, field="share", maximum=1.0)
        checked(self.u, field="share.u")


# What share of a metal that left the anode is found in the bag. Gold, platinum and rhodium do not
# dissolve in a silver-nitrate cell, palladium partly does, a little silver stays as fines, and of
# what is not an assayed metal (tin oxide, lead, grit) an unknown share stays.
# Common practice, no source: the shares are starting points for the recovery factors to correct.
RETENTION: Final[Mapping[str, Share]] = MappingProxyType(
    {
        "Ag": Share(0.02, 0.01),
        "Au": Share(1.0, 0.005),
        "Pt": Share(1.0, 0.02),
        "Pd": Share(0.5, 0.2),
        "Rh": Share(1.0, 0.02),
        "Cu": Share(0.01, 0.005),
        "other": Share(0.5, 0.25),
    }
)


@dataclass(frozen=True)
class ChargePart:
    """One charge that ran in the bag: content and its standard uncertainty per metal, micrograms.

    `other_ug` is the charge's mass that is none of the metals. `dissolved` is the share of the
    charge that left the anode; what is taken back as remnant is not in the bag.
    """

    content_ug: Mapping[str, int]
    u_content_ug: Mapping[str, float]
    dissolved: Share
    other_ug: int = 0
    u_other_ug: float = 0.0


@dataclass(frozen=True)
class PastRecovery:
    """One metal of one recovered bag: found against expected before any factor, micrograms.

    `group` is whatever bags are alike by: a cell, or a kind of feed.
    """

    metal: str
    group: str
    expected_ug: float
    u_expected_ug: float
    recovered_ug: float
    u_recovered_ug: float


@dataclass(frozen=True)
class FactorPrior:
    """What is believed of a recovery factor before any bag was opened; weight counted in bags.

    Common practice, no source: the works' settings may replace it.
    """

    factor: float = 1.0
    u_factor: float = 0.10
    sd_between_groups: float = 0.05
    sd_between_bags: float = 0.10
    weight: float = 3.0


@dataclass(frozen=True)
class RecoveryFactor:
    """Recovered over expected for the next bag of `group`.

    `u_factor` is of the group's long-run factor, `u_next` of one more bag. `towards_house` is the
    share of the house mean in it: 1 with no bag of the group, near 0 with many.
    """

    metal: str
    group: str
    factor: float
    u_factor: float
    u_next: float
    house_factor: float
    towards_house: float
    bags: int


@dataclass(frozen=True)
class MetalEstimate:
    """Expected mass of a metal in the bag with its 95 % interval, micrograms."""

    metal: str
    mass_ug: float
    u_mass_ug: float
    low_ug: float
    high_ug: float


@dataclass(frozen=True)
class SlimesEstimate:
    """The bag's metals, its dry mass and the factors used; `coverage` is that of each interval."""

    metals: Mapping[str, MetalEstimate]
    dry_mass: MetalEstimate
    factors: Mapping[str, RecoveryFactor] = field(default_factory=dict)
    coverage: float = COVERAGE


def recovery_factors(
    past: Sequence[PastRecovery],
    *,
    group: str,
    prior: FactorPrior | None = None,
) -> dict[str, RecoveryFactor]:
    """The recovery factor of every metal for a bag of `group`, shrunk towards the house mean.

    Normal-normal empirical Bayes, per metal. Bag i of group j gave the ratio x_ij (recovered over
    expected) with measurement variance v_ij, and w_ij = 1 / (v_ij + s2):
        V_j = 1 / sum_i w_ij,  x_j = V_j * sum_i w_ij x_ij       group mean and its variance
        mu = (m0/u0^2 + sum_j x_j/(V_j+t2)) / (1/u0^2 + sum_j 1/(V_j+t2))          house mean
        B_j = V_j / (V_j + t2)                                   shrinkage
        factor_j = B_j mu + (1 - B_j) x_j,  u_j^2 = (1 - B_j) V_j + B_j^2 var(mu)
        u_next^2 = u_j^2 + s2
    s2 (between bags) and t2 (between groups) are moment estimates, each averaged with the prior's
    variance by degrees of freedom, so that few bags cannot claim to vary less than is believed.

    Bags expected to hold nothing say nothing and are passed over. Raises InvalidError
    `unknown_metal`, `too_small`. Source of the form: C. N. Morris, "Parametric Empirical Bayes
    Inference", J. Am. Stat. Assoc. 78 (1983) 47-55 (from memory); the prior's weight is ours.
    """
    prior = prior or FactorPrior()
    for item in past:
        _check_metal(item.metal, "past.metal")
        for name in ("expected_ug", "u_expected_ug", "recovered_ug", "u_recovered_ug"):
            checked(getattr(item, name), field=f"past.{name}")
    return {
        metal: _factor(
            metal, group, [item for item in past if item.metal == metal and item.expected_ug], prior
        )
        for metal in METALS
    }


def _factor(
    metal: str, group: str, past: Sequence[PastRecovery], prior: FactorPrior
) -> RecoveryFactor:
    ratios: defaultdict[str, list[tuple[float, float]]] = defaultdict(list)
    for item in past:
        ratio = item.recovered_ug / item.expected_ug
        variance = (item.u_recovered_ug**2 + (ratio * item.u_expected_ug) ** 2) / (
            item.expected_ug**2
        )
        ratios[item.group].append((ratio, variance))
    between_bags = _variance_between_bags(ratios, prior)
    means = {name: _pooled(rows, between_bags) for name, rows in sorted(ratios.items())}
    between_groups = _variance_between_groups(list(means.values()), prior)
    weights = [1 / (variance + between_groups) for _, variance in means.values()]
    information = 1 / prior.u_factor**2 + sum(weights)
    house = (
        prior.factor / prior.u_factor**2
        + sum(weight * mean for weight, (mean, _) in zip(weights, means.values(), strict=True))
    ) / information
    mean, variance = means.get(group, (house, math.inf))
    # A group without bags has infinite variance of its mean: the house mean alone speaks.
    shrink = 1.0 if math.isinf(variance) else variance / (variance + between_groups)
    own = between_groups if math.isinf(variance) else (1 - shrink) * variance
    u_squared = own + shrink**2 / information
    return RecoveryFactor(
        metal=metal,
        group=group,
        factor=shrink * house + (1 - shrink) * mean,
        u_factor=math.sqrt(u_squared),
        u_next=math.sqrt(u_squared + between_bags),
        house_factor=house,
        towards_house=shrink,
        bags=len(ratios.get(group, ())),
    )


def _pooled(rows: Sequence[tuple[float, float]], between_bags: float) -> tuple[float, float]:
    weights = [1 / (variance + between_bags) for _, variance in rows]
    total = sum(weights)
    mean = sum(weight * ratio for weight, (ratio, _) in zip(weights, rows, strict=True)) / total
    return mean, 1 / total


def _variance_between_bags(
    ratios: Mapping[str, Sequence[tuple[float, float]]], prior: FactorPrior
) -> float:
    excess, degrees = 0.0, 0
    for rows in ratios.values():
        count = len(rows)
        mean = sum(ratio for ratio, _ in rows) / count
        measured = sum(variance for _, variance in rows) / count
        spread = sum((ratio - mean) ** 2 for ratio, _ in rows)
        excess += spread - (count - 1) * measured
        degrees += count - 1
    return _with_prior(excess, degrees, prior.sd_between_bags, prior.weight)


def _variance_between_groups(means: Sequence[tuple[float, float]], prior: FactorPrior) -> float:
    count = len(means)
    if count < 2:
        return prior.sd_between_groups**2
    centre = sum(mean for mean, _ in means) / count
    spread = sum((mean - centre) ** 2 for mean, _ in means)
    measured = sum(variance for _, variance in means) / count
    excess = spread - (count - 1) * measured
    return _with_prior(excess, count - 1, prior.sd_between_groups, prior.weight)


def _with_prior(excess: float, degrees: int, prior_sd: float, weight: float) -> float:
    return (weight * prior_sd**2 + max(excess, 0.0)) / (weight + degrees)


def estimate_slimes(
    parts: Sequence[ChargePart],
    *,
    factors: Mapping[str, RecoveryFactor] | None = None,
    retention: Mapping[str, Share] = RETENTION,
) -> SlimesEstimate:
    """The bag's expected metals and dry mass with uncertainty, from the charges that ran in it.

    Metal m: factor_m * retention_m * sum over charges of content * dissolved share. First-order
    propagation (JCGM 100:2008, 5.1.2) over contents, dissolved shares, retentions and factors,
    each input independent of the others; a dissolved share is common to all metals of its charge,
    which the dry mass takes into account. Low ends of intervals stop at zero.

    Raises InvalidError `unknown_metal`, `too_small`, `not_a_number`, `missing_share` or
    `nothing_given`.
    """
    _check_parts(parts, retention)
    names = [*METALS, "other"]
    contents = np.array([_row(part.content_ug, part.other_ug) for part in parts], dtype=float)
    u_contents = np.array([_row(part.u_content_ug, part.u_other_ug) for part in parts], dtype=float)
    dissolved = np.array([part.dissolved.value for part in parts])
    u_dissolved = np.array([part.dissolved.u for part in parts])
    kept = np.array([retention[name].value for name in names])
    u_kept = np.array([retention[name].u for name in names])
    factors = factors or {}
    scale = np.array([factors[name].factor if name in factors else 1.0 for name in names])
    u_scale = np.array([factors[name].u_next if name in factors else 0.0 for name in names])

    released = dissolved @ contents
    masses = scale * kept * released
    # Each metal's own inputs, and the dissolved shares it has in common with the other metals.
    own = (
        (scale * kept) ** 2 * (dissolved**2 @ u_contents**2)
        + (scale * released * u_kept) ** 2
        + (kept * released * u_scale) ** 2
        + (released * u_kept * u_scale) ** 2
    )
    shared = (scale * kept * contents) * u_dissolved[:, np.newaxis]
    variances = own + (shared**2).sum(axis=0)
    total_variance = own.sum() + (shared.sum(axis=1) ** 2).sum()
    return SlimesEstimate(
        metals={
            name: _interval(name, float(masses[index]), float(variances[index]))
            for index, name in enumerate(METALS)
        },
        dry_mass=_interval("all", float(masses.sum()), float(total_variance)),
        factors=dict(factors),
    )


def _row(per_metal: Mapping[str, float], other: float) -> list[float]:
    return [*(per_metal.get(metal, 0) for metal in METALS), other]


def _interval(metal: str, mass_ug: float, variance: float) -> MetalEstimate:
    u_mass_ug = math.sqrt(variance)
    return MetalEstimate(
        metal=metal,
        mass_ug=mass_ug,
        u_mass_ug=u_mass_ug,
        low_ug=max(0.0, mass_ug - COVERAGE_FACTOR * u_mass_ug),
        high_ug=mass_ug + COVERAGE_FACTOR * u_mass_ug,
    )


def _check_parts(parts: Sequence[ChargePart], retention: Mapping[str, Share]) -> None:
    if not parts:
        raise refuse("nothing_given", field="parts")
    for name in (*METALS, "other"):
        if name not in retention:
            raise refuse("missing_share", field="retention", value=name)
    for part in parts:
        for name, masses in (("content_ug", part.content_ug), ("u_content_ug", part.u_content_ug)):
            for metal, mass in masses.items():
                _check_metal(metal, name)
                checked(mass, field=name)
        checked(part.other_ug, field="other_ug")
        checked(part.u_other_ug, field="u_other_ug")


def _check_metal(metal: str, name: str) -> None:
    if metal not in METALS:
        raise refuse("unknown_metal", field=name, value=metal, metals=", ".join(METALS))
