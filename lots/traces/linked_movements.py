"""Reads the movements a trace needs: along the links of one lot, or one after the other."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import groupby
from operator import itemgetter
from typing import Any, Final

from django.db.models import F, Min, Q, QuerySet, Sum

from lots.ledger.holdings import NOW, AsOf
from lots.models import Account, AssayRuling, Entry, Movement
from lots.traces.trace_steps import Step, givers, restated_elsewhere, takers, without_reversed

# Reading along the links costs a query a batch and round. Past this many rounds or entries of the
# lots read, as when an electrolyte has been through many runs, a trace goes by what is kept.
ROUNDS_MAX: Final = 24
ENTRIES_MAX: Final = 8000
BATCH: Final = 500

# The least step of time that a database keeps.
TICK: Final = dt.timedelta(microseconds=1)

Connected = Callable[[Collection[Step]], set[int]]


@dataclass(frozen=True)
class Near:
    """Movements read along the links of a lot, and the lots that they are complete for.

    Not `is_whole`, these are the nearest only, and more is connected.
    """

    steps: list[Step]
    lots: set[int]
    is_whole: bool


def stream_steps(as_of: AsOf = NOW, since: dt.datetime | None = None) -> Iterator[Step]:
    """Every movement as of then (and not before `since`), in order of time.

    Without those taken back at their own moment.
    """
    seen = _seen(as_of, since)
    return without_reversed(
        _steps(Entry.objects.filter(seen), _restates(since)), _taken_back(as_of, since)
    )


def steps_into(lot: int, as_of: AsOf = NOW) -> Near:
    """Every movement of the lot and of all lots that gave to it."""
    return _read_connected(lot, as_of, lambda steps: givers(steps, {lot}))


def steps_around(lot: int, as_of: AsOf = NOW, *, since: dt.datetime | None = None) -> Near:
    """Every movement of the lots that took from this one, of all that gave beside them, and of all
    that gave to those: from `since` on, or all.
    """

    def around(steps: Collection[Step]) -> set[int]:
        ahead = takers(steps, {lot})
        return givers(steps, ahead | _beside(steps, ahead))

    return _read_connected(lot, as_of, around, since)


def first_moment_from(lot: int, as_of: AsOf = NOW) -> dt.datetime | None:
    """When this lot, or any registered after it, first held anything."""
    moment: dt.datetime | None = Entry.objects.filter(as_of.limit(), lot_id__gte=lot).aggregate(
        first=Min("occurred_at")
    )["first"]
    return moment


def held_before(
    lots: Collection[int] | None, as_of: AsOf, since: dt.datetime
) -> dict[str, dict[int, int]]:
    """What each of the lots (or of all) held of each metal just before `since`."""
    held: dict[str, dict[int, int]] = {}
    which = (
        [Q(lot__isnull=False)] if lots is None else [Q(lot_id__in=each) for each in _batches(lots)]
    )
    for each in which:
        rows = (
            Entry.objects.filter(as_of.limit(), each, occurred_at__lt=since)
            .order_by()
            .values_list("lot_id", "metal")
            .annotate(total=Sum("mass_ug"))
        )
        for pk, metal, total in rows:
            if pk is not None and total:
                held.setdefault(metal, {})[pk] = int(total)
    return held


def late_assays(as_of: AsOf, since: dt.datetime | None = None) -> set[int]:
    """The lots of which an assay ruled (not before `since`) takes metal out of other lots."""
    restates = _restates(since)
    found: set[int] = set()
    for batch in _batches(restates):
        entries = Entry.objects.filter(_seen(as_of, since), movement_id__in=batch)
        found |= restated_elsewhere(
            without_reversed(_steps(entries, restates), _taken_back(as_of, since))
        )
    return found


def is_moved_after(lots: Collection[int], as_of: AsOf, moment: dt.datetime) -> bool:
    """Whether anything happened to one of the lots after that moment."""
    return Entry.objects.filter(
        as_of.limit(), lot_id__in=list(lots), occurred_at__gt=moment
    ).exists()


def is_restated_after(lot: int, as_of: AsOf, moment: dt.datetime) -> bool:
    """Whether what came in with the lot was put right after that moment."""
    return any(
        Movement.objects.filter(as_of.limit(), pk__in=batch, occurred_at__gt=moment).exists()
        for batch in _batches(pk for pk, of in _restates(moment).items() if of == lot)
    )


def _read_connected(
    lot: int, as_of: AsOf, connected: Connected, since: dt.datetime | None = None
) -> Near:
    reverses, restates, codes = _taken_back(as_of, since), _restates(since), _account_codes()
    seen = _seen(as_of, since)
    found: dict[int, Step] = {}
    read: set[int] = set()
    wanted = {lot}
    left = ENTRIES_MAX
    for _ in range(ROUNDS_MAX):
        for batch in _batches(wanted - read):
            latest = Entry.objects.filter(seen, lot_id__in=batch).order_by("-occurred_at", "-id")
            ruled = [movement for movement, of in restates.items() if of in set(batch)]
            moved = Q(movement_id__in=latest.values("movement_id")[:left]) | Q(
                movement_id__in=ruled
            )
            steps = list(_steps(Entry.objects.filter(seen, moved), restates, codes))
            left -= sum(holder in set(batch) for step in steps for holder, _, _ in step.lines)
            if left <= 0:
                return Near(_in_order(found), read, is_whole=False)
            found.update((step.movement, step) for step in without_reversed(steps, reverses))
        read |= wanted
        wanted = connected(found.values())
        if wanted <= read:
            return Near(_in_order(found), wanted, is_whole=True)
    return Near(_in_order(found), read, is_whole=False)


def _in_order(found: Mapping[int, Step]) -> list[Step]:
    return sorted(found.values(), key=lambda step: step[:2])


def _seen(as_of: AsOf, since: dt.datetime | None) -> Q:
    """The entries of the movements as of then.

    By the movements' own index, which finds the latest of a long history at once.
    """
    return as_of.limit() if since is None else as_of.limit() & Q(movement__occurred_at__gte=since)


def _steps(
    entries: QuerySet[Entry, Any],
    restates: Mapping[int, int],
    codes: Mapping[int, str] | None = None,
) -> Iterator[Step]:
    codes = codes or _account_codes()
    rows = (
        entries.order_by("movement__occurred_at", "movement_id", "id")
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


def _account_codes() -> dict[int, str]:
    return dict(Account.objects.order_by().values_list("pk", "code"))


def _restates(since: dt.datetime | None) -> dict[int, int]:
    """Movements that put right what came in with a lot, and those that reverse them: which lot."""
    rulings = AssayRuling.objects.all()
    if since is not None:
        # A reversal is never earlier than what it reverses.
        rulings = rulings.filter(
            Q(movement__occurred_at__gte=since) | Q(movement__reversed_by__occurred_at__gte=since)
        )
    found: dict[int, int] = {}
    for movement, reversal, lot in rulings.order_by().values_list(
        "movement_id", "movement__reversed_by", "lot_id"
    ):
        found[movement] = lot
        if reversal is not None:
            found[reversal] = lot
    return found


def _taken_back(as_of: AsOf, since: dt.datetime | None) -> dict[int, int]:
    """The reversals seen that happened at the moment of what they reverse, and what that was."""
    reversals = Movement.objects.filter(
        # By kind, which has an index; for "reverses is not null" SQLite reads every movement.
        as_of.limit(),
        kind=Movement.Kind.REVERSAL,
        occurred_at=F("reverses__occurred_at"),
    )
    if since is not None:
        reversals = reversals.filter(occurred_at__gte=since)
    # In no order: that of the model would be read along its index, through every movement.
    rows = reversals.order_by().values_list("pk", "reverses_id")
    return {reversal: reversed_ for reversal, reversed_ in rows if reversed_ is not None}


def _beside(steps: Iterable[Step], lots: Collection[int]) -> set[int]:
    """The lots that give in a movement to which one of `lots` gives too."""
    beside: set[int] = set()
    for step in steps:
        sources = {holder for holder, _, ug in step.lines if ug < 0 and isinstance(holder, int)}
        if not sources.isdisjoint(lots):
            beside |= sources
    return beside


def _batches(ids: Iterable[int]) -> Iterator[list[int]]:
    ordered = sorted(ids)
    return (ordered[start : start + BATCH] for start in range(0, len(ordered), BATCH))
