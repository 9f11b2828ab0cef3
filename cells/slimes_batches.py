"""Which waiting slimes bag has most at stake, which has waited longest, and which go together?"""

from __future__ import annotations

import datetime
import math
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Final, Literal

from cells.electrochemistry.checked_numbers import checked
from cells.electrochemistry.estimated import COVERAGE_FACTOR
from config.refusals import refuse
from lots.elements import METALS

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

UG_PER_G: Final = 1_000_000
# Without prices a bag counts by its grams of precious metal, so copper counts for nothing.
BY_MASS: Final[Mapping[str, float]] = MappingProxyType(
    {metal: 0.0 if metal == "Cu" else 1.0 for metal in METALS}
)
Order = Literal["oldest", "stake"]


@dataclass(frozen=True)
class WaitingBag:
    """A bag not yet recovered: day closed, expected masses and their uncertainty (ug)."""

    bag: str
    closed_on: datetime.date
    mass_ug: Mapping[str, float]
    u_mass_ug: Mapping[str, float]


@dataclass(frozen=True)
class RankedBag:
    """A bag's stake, in the unit of the weights per gram, its age in days, its place by each."""

    bag: str
    stake: float
    u_stake: float
    age_days: int
    rank_by_stake: int
    rank_by_age: int


@dataclass(frozen=True)
class RecoveryBatch:
    """Bags to recover together. `shortfall` is what the stake lacks to be worthwhile, else 0."""

    bags: tuple[str, ...]
    stake: float
    u_stake: float
    oldest_age_days: int
    worthwhile: bool
    shortfall: float


def rank_bags(
    bags: Sequence[WaitingBag],
    *,
    as_of: datetime.date,
    weights: Mapping[str, float] = BY_MASS,
) -> tuple[RankedBag, ...]:
    """The bags by what may be at stake, the upper end of its 95 % interval, largest first.

    Ties go to the older, then to the name.

    `weights` is the value of one gram per metal in the user's own unit; a metal left out counts
    nothing. Without it the stake is grams of precious metal. A bag closed after `as_of` has age 0.
    Raises InvalidError `unknown_metal`, `too_small`, `duplicate`.
    """
    _check(bags, weights)
    staked = []
    for bag in bags:
        stake = sum(weights.get(metal, 0.0) * mass for metal, mass in bag.mass_ug.items())
        spread = math.hypot(*(weights.get(metal, 0.0) * u for metal, u in bag.u_mass_ug.items()))
        age_days = max(0, (as_of - bag.closed_on).days)
        staked.append((bag.bag, stake / UG_PER_G, spread / UG_PER_G, age_days))
    by_stake = sorted(staked, key=lambda row: (-row[1] - COVERAGE_FACTOR * row[2], -row[3], row[0]))
    by_age = sorted(staked, key=lambda row: (-row[3], -row[1], row[0]))
    place = {row[0]: index for index, row in enumerate(by_age, start=1)}
    return tuple(
        RankedBag(name, stake, u_stake, age_days, index, place[name])
        for index, (name, stake, u_stake, age_days) in enumerate(by_stake, start=1)
    )


def group_bags(
    ranked: Sequence[RankedBag],
    *,
    stake_min: float,
    order: Order = "oldest",
    bags_max: int | None = None,
) -> tuple[RecoveryBatch, ...]:
    """The bags put greedily into batches, each closed as soon as its stake reaches `stake_min`.

    Taken oldest first, or biggest stake first. A batch full at `bags_max`, or left at the end,
    without reaching `stake_min` is not worthwhile and says what it lacks. Every bag is in exactly
    one batch. Raises InvalidError `too_small`. Greedy is simple to follow by hand and may make
    fewer worthwhile batches than an exact packing would.
    """
    checked(stake_min, field="stake_min", above=True)
    if bags_max is not None:
        checked(bags_max, field="bags_max", minimum=1)
    queue = sorted(
        ranked, key=lambda bag: bag.rank_by_age if order == "oldest" else bag.rank_by_stake
    )
    batches: list[RecoveryBatch] = []
    current: list[RankedBag] = []
    for bag in queue:
        current.append(bag)
        reached = sum(item.stake for item in current) >= stake_min
        if reached or len(current) == bags_max:
            batches.append(_batch(current, stake_min))
            current = []
    if current:
        batches.append(_batch(current, stake_min))
    return tuple(batches)


def _batch(bags: Sequence[RankedBag], stake_min: float) -> RecoveryBatch:
    stake = sum(bag.stake for bag in bags)
    return RecoveryBatch(
        bags=tuple(bag.bag for bag in bags),
        stake=stake,
        u_stake=math.hypot(*(bag.u_stake for bag in bags)),
        oldest_age_days=max(bag.age_days for bag in bags),
        worthwhile=stake >= stake_min,
        shortfall=max(0.0, stake_min - stake),
    )


def _check(bags: Sequence[WaitingBag], weights: Mapping[str, float]) -> None:
    names = [bag.bag for bag in bags]
    for name in names:
        if names.count(name) > 1:
            raise refuse("duplicate", field="bags", value=name)
    for metal in (*weights, *(metal for bag in bags for metal in bag.mass_ug)):
        if metal not in METALS:
            raise refuse(
                "unknown_metal",
                field="weights" if metal in weights else "mass_ug",
                value=metal,
                metals=", ".join(METALS),
            )
    for weight in weights.values():
        checked(weight, field="weights")
