"""Reads the movements a trace needs: all of them, or those connected with one lot."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import groupby
from operator import itemgetter
from typing import Any, Final

from django.db.models import F, Min, Q, QuerySet, Sum

from lots.models import Account, AssayRuling, Entry, Movement
from lots.queries.holdings import NOW, AsOf
from lots.trace_steps import Step, givers, takers, without_reversed

# Reading along the links costs a query a batch and round; past this many rounds, as when an
# electrolyte has been through many runs, one pass over all the books is quicker.
ROUNDS_MAX: Final = 24
BATCH: Final = 500

Connected = Callable[[Collection[Step]], set[int]]


def stream_steps(as_of: AsOf = NOW) -> Iterator[Step]:
    """Every movement as of then, in order of time, without those taken back at their own moment."""
    return without_reversed(
        _steps(Entry.objects.filter(as_of.limit()), _restates()), _taken_back(as_of)
    )


def steps_into(lot: int, as_of: AsOf = NOW) -> tuple[list[Step], set[int]]:
    """Every movement of the lot and of all lots that gave to it; and those lots."""
    return _read_connected(lot, as_of, lambda steps: givers(steps, {lot}))


@dataclass(frozen=True)
class Around:
    """What following one lot takes: steps, the lots they are complete for, and what these held.

    `held` is None when the steps begin with the books.
    """

    steps: list[Step]
    lots: set[int]
    held: dict[str, dict[int, int]] | None


def steps_around(lot: int, as_of: AsOf = NOW, *, since: dt.datetime | None = None) -> Around:
    """Every movement of the lots that took from this one, of all that gave beside them, and of all
    that gave to those: from `since` on, with what the lots held before, or all.
    """

    def around(steps: Collection[Step]) -> set[int]:
        ahead = takers(steps, {lot})
        return givers(steps, ahead | _beside(steps, ahead))

    steps, lots = _read_connected(lot, as_of, around, since)
    return Around(steps, lots, None if since is None else _held_before(lots, as_of, since))


def first_moment_from(lot: int, as_of: AsOf = NOW) -> dt.datetime | None:
    """When this lot, or any registered after it, first held anything."""
    moment: dt.datetime | None = Entry.objects.filter(as_of.limit(), lot_id__gte=lot).aggregate(
        first=Min("occurred_at")
    )["first"]
    return moment


def _held_before(
    lots: Collection[int], as_of: AsOf, since: dt.datetime
) -> dict[str, dict[int, int]]:
    held: dict[str, dict[int, int]] = {}
    for batch in _batches(sorted(lots)):
        rows = (
            Entry.objects.filter(as_of.limit(), lot_id__in=batch, occurred_at__lt=since)
            .order_by()
            .values_list("lot_id", "metal")
            .annotate(total=Sum("mass_ug"))
        )
        for pk, metal, total in rows:
            if pk is not None and total:
                held.setdefault(metal, {})[pk] = total
    return held


def _read_connected(
    lot: int, as_of: AsOf, connected: Connected, since: dt.datetime | None = None
) -> tuple[list[Step], set[int]]:
    reverses, restates = _taken_back(as_of), _restates()
    seen = as_of.limit() if since is None else as_of.limit() & Q(occurred_at__gte=since)
    found: dict[int, Step] = {}
    read: set[int] = set()
    wanted = {lot}
    for _ in range(ROUNDS_MAX):
        for batch in _batches(sorted(wanted - read)):
            moved = Entry.objects.filter(seen, lot_id__in=batch).values("movement_id")
            connected_with = Q(movement_id__in=moved)
            ruled = [movement for movement, of in restates.items() if of in set(batch)]
            if ruled:
                connected_with |= Q(movement_id__in=ruled)
            steps = _steps(Entry.objects.filter(seen, connected_with), restates)
            found.update((step.movement, step) for step in without_reversed(steps, reverses))
        read |= wanted
        wanted = connected(found.values())
        if wanted <= read:
            return sorted(found.values(), key=lambda step: step[:2]), wanted
    everything = _steps(Entry.objects.filter(seen), restates)
    steps_of_all = list(without_reversed(everything, reverses))
    return steps_of_all, connected(steps_of_all)


def _steps(entries: QuerySet[Entry, Any], restates: Mapping[int, int]) -> Iterator[Step]:
    codes = dict(Account.objects.values_list("pk", "code"))
    rows = (
        entries.order_by("occurred_at", "movement_id", "id")
        .values_list("movement_id", "occurred_at", "lot_id", "account_id", "metal", "mass_ug")
        .iterator(chunk_size=5000)
    )
    for movement, group in groupby(rows, key=itemgetter(0)):
        lines = list(group)
        yield Step(
            lines[0][1],
            movement,
            [(lot or codes[account], metal, ug) for _, _, lot, account, metal, ug in lines],
            restates.get(movement),
        )


def _restates() -> dict[int, int]:
    """Movements that put right what came in with a lot, and those that reverse them: which lot."""
    rulings = AssayRuling.objects.values_list("movement_id", "movement__reversed_by", "lot_id")
    found: dict[int, int] = {}
    for movement, reversal, lot in rulings:
        found[movement] = lot
        if reversal is not None:
            found[reversal] = lot
    return found


def _taken_back(as_of: AsOf) -> dict[int, int]:
    """The reversals seen that happened at the moment of what they reverse, and what that was."""
    rows = Movement.objects.filter(
        as_of.limit(), reverses__isnull=False, occurred_at=F("reverses__occurred_at")
    ).values_list("pk", "reverses_id")
    return {reversal: reversed_ for reversal, reversed_ in rows if reversed_ is not None}


def _beside(steps: Iterable[Step], lots: Collection[int]) -> set[int]:
    """The lots that give in a movement to which one of `lots` gives too."""
    beside: set[int] = set()
    for step in steps:
        sources = {holder for holder, _, ug in step.lines if ug < 0 and isinstance(holder, int)}
        if not sources.isdisjoint(lots):
            beside |= sources
    return beside


def _batches(ids: list[int]) -> Iterator[list[int]]:
    return (ids[start : start + BATCH] for start in range(0, len(ids), BATCH))
