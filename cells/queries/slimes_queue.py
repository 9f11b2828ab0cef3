"""Which slimes bags wait, for how long, with how much at stake, and which to recover together."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from django.conf import settings
from django.db.models import Value
from django.db.models.functions import Coalesce

from cells.electrochemistry.estimated import COVERAGE_FACTOR
from cells.electrochemistry.slimes_estimate import PastRecovery
from cells.models import RecoveryOutcome, SlimesBag, SlimesEstimate
from cells.slimes_batches import (
    BY_MASS,
    Order,
    RankedBag,
    RecoveryBatch,
    WaitingBag,
    group_bags,
    rank_bags,
)
from lots.ledger.holdings import NOW, AsOf
from lots.queries.works_zone import works_zone

# Grams of precious metal that make a recovery worth its acid and time, unless the works' settings
# say otherwise. Common practice, no source.
STAKE_MIN_G: Final = 100.0
# The group of bags that were waiting when the ledger began: they teach the house's mean only.
OF_NO_CELL: Final = ""


@dataclass(frozen=True)
class Expected:
    """What one metal of a bag should weigh, micrograms, with its 95 % interval."""

    mass_ug: int
    u_ug: int
    low_ug: int
    high_ug: int


@dataclass(frozen=True)
class QueuedBag:
    """A bag not yet recovered, and what it waits for. `stake` is grams of precious metal."""

    bag: SlimesBag
    age_days: int
    expected: Mapping[str, Expected]
    waits_for: str
    stake: float
    u_stake: float
    rank_by_stake: int
    rank_by_age: int


def slimes_queue(on: dt.datetime, *, weights: Mapping[str, float] = BY_MASS) -> list[QueuedBag]:
    """The bags that wait or are being recovered, most at stake first, in two queries.

    `weights` is the value of a gram per metal, in the unit the stake is wanted in.
    """
    bags = _open_bags(on)
    ranked = {each.bag: each for each in _rank(bags, on, weights)}
    batches = group_bags(_waiting_only(ranked, bags), stake_min=stake_min_g())
    short = {code: batch for batch in batches for code in batch.bags}
    queue = [
        QueuedBag(
            bag=bag,
            age_days=ranked[bag.lot.code].age_days,
            expected=_expected(estimates),
            waits_for=_waits_for(bag, short.get(bag.lot.code)),
            stake=ranked[bag.lot.code].stake,
            u_stake=ranked[bag.lot.code].u_stake,
            rank_by_stake=ranked[bag.lot.code].rank_by_stake,
            rank_by_age=ranked[bag.lot.code].rank_by_age,
        )
        for bag, estimates in bags
    ]
    return sorted(queue, key=lambda each: each.rank_by_stake)


def recovery_batches(
    on: dt.datetime,
    *,
    stake_min: float | None = None,
    order: Order = "oldest",
    bags_max: int | None = None,
    weights: Mapping[str, float] = BY_MASS,
) -> tuple[RecoveryBatch, ...]:
    """How the waiting bags could be grouped so that each recovery is worthwhile."""
    bags = _open_bags(on)
    ranked = {each.bag: each for each in _rank(bags, on, weights)}
    return group_bags(
        _waiting_only(ranked, bags),
        stake_min=stake_min_g() if stake_min is None else stake_min,
        order=order,
        bags_max=bags_max,
    )


def stake_min_g() -> float:
    """What makes a recovery worthwhile, by the works' settings."""
    return float(getattr(settings, "CELL_RECOVERY_STAKE_MIN", STAKE_MIN_G))


_Bags = Sequence[tuple[SlimesBag, Sequence[SlimesEstimate]]]


def _open_bags(on: dt.datetime) -> list[tuple[SlimesBag, list[SlimesEstimate]]]:
    bags = list(
        SlimesBag.objects.filter(
            state__in=[SlimesBag.State.WAITING, SlimesBag.State.IN_RECOVERY], bagged_at__lte=on
        )
        .select_related("lot__place", "run__cell", "process_batch")
        .order_by("bagged_at", "id")
    )
    estimates: dict[int, list[SlimesEstimate]] = defaultdict(list)
    for estimate in SlimesEstimate.objects.filter(bag__in=bags).order_by("id"):
        estimates[estimate.bag_id].append(estimate)
    return [(bag, estimates[bag.pk]) for bag in bags]


def _rank(bags: _Bags, on: dt.datetime, weights: Mapping[str, float]) -> tuple[RankedBag, ...]:
    zone = works_zone()
    return rank_bags(
        [
            WaitingBag(
                bag=bag.lot.code,
                closed_on=bag.bagged_at.astimezone(zone).date(),
                mass_ug={each.metal: each.mass_ug for each in estimates},
                u_mass_ug={each.metal: each.standard_uncertainty_ug for each in estimates},
            )
            for bag, estimates in bags
        ],
        as_of=on.astimezone(zone).date(),
        weights=weights,
    )


def _waiting_only(ranked: Mapping[str, RankedBag], bags: _Bags) -> list[RankedBag]:
    return [ranked[bag.lot.code] for bag, _ in bags if bag.state == SlimesBag.State.WAITING]


def _expected(estimates: Sequence[SlimesEstimate]) -> dict[str, Expected]:
    return {
        each.metal: Expected(
            each.mass_ug,
            each.standard_uncertainty_ug,
            max(0, round(each.mass_ug - COVERAGE_FACTOR * each.standard_uncertainty_ug)),
            round(each.mass_ug + COVERAGE_FACTOR * each.standard_uncertainty_ug),
        )
        for each in estimates
    }


def _waits_for(bag: SlimesBag, batch: RecoveryBatch | None) -> str:
    if bag.state == SlimesBag.State.IN_RECOVERY:
        assert bag.process_batch is not None
        return f"outputs of recovery {bag.process_batch.code}"
    if batch is not None and batch.worthwhile:
        together = [code for code in batch.bags if code != bag.lot.code]
        return "its recovery" + (f", with {', '.join(together)}" if together else "")
    short = "" if batch is None else f": {batch.shortfall:.1f} g more at stake"
    return f"more bags to make a recovery worthwhile{short}"


def past_recoveries(as_of: AsOf = NOW) -> list[PastRecovery]:
    """Every outcome that stands, by metal and cell, in one query."""
    outcomes = RecoveryOutcome.objects.filter(closing__reversed_by__isnull=True)
    if as_of.occurred is not None:
        outcomes = outcomes.filter(closing__occurred_at__lte=as_of.occurred)
    if as_of.recorded is not None:
        outcomes = outcomes.filter(closing__recorded_at__lte=as_of.recorded)
    rows = outcomes.order_by("closing__sequence", "id").values_list(
        "metal",
        Coalesce("bag__run__cell__code", Value(OF_NO_CELL)),
        "estimated_ug",
        "estimated_u_ug",
        "recovered_ug",
        "recovered_u_ug",
    )
    return [PastRecovery(*row) for row in rows]
