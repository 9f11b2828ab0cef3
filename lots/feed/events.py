"""What has happened, in the order of the ledger: for programs that follow the books.

An event is a movement; its id is the movement's sequence. Movements get their sequence and become
visible one after the other, so whoever has read up to an id misses nothing at or below it.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from typing import Final

from django.apps import apps
from django.db.models import Exists, OuterRef, Q
from django.utils.module_loading import import_string

from lots.models import ClaimEntry, Entry, LedgerHead, LotStanding, MaterialEntry, Movement, Party

EVENTS_MAX: Final = 1000


@dataclass(frozen=True)
class Event:
    """One movement by its sequence: what kind, when, which lots, and which one it takes back.

    It holds no figures: they are read of the lot or the movement, by who may see them.
    """

    id: int
    kind: str
    stage: str
    occurred_at: dt.datetime
    recorded_at: dt.datetime
    lots: tuple[str, ...]
    reverses: int | None


@dataclass(frozen=True)
class EventPage:
    """Events after an id. Ask again with `next_after`; `more` says that there is more already."""

    events: tuple[Event, ...]
    next_after: int
    more: bool


def events_after(
    after: int,
    *,
    limit: int = EVENTS_MAX,
    kinds: Collection[str] = (),
    party: Party | None = None,
) -> EventPage:
    """Events of sequence above `after`, oldest first, `limit` at most.

    With `kinds`, only these; with `party`, only those of lots it sent in, owns or has a claim
    from, with no other lots named, and without what an app keeps back from them.
    `next_after` passes over what was left out.
    """
    head = LedgerHead.objects.values_list("last_sequence", flat=True).get(pk=1)
    movements = Movement.objects.filter(sequence__gt=after, sequence__lte=head)
    if kinds:
        movements = movements.filter(kind__in=kinds)
    if party is not None:
        movements = movements.filter(_concerns(party)).exclude(_kept_back(party))
    rows = list(
        movements.order_by("sequence").values_list(
            "id",
            "sequence",
            "kind",
            "stage",
            "occurred_at",
            "recorded_at",
            "reverses__sequence",
            named=True,
        )[: limit + 1]
    )
    more = len(rows) > limit
    rows = rows[:limit]
    lots = _lots_of([row.id for row in rows], party)
    events = tuple(
        Event(
            id=row.sequence,
            kind=row.kind,
            stage=row.stage,
            occurred_at=row.occurred_at,
            recorded_at=row.recorded_at,
            lots=tuple(sorted(lots[row.id])),
            reverses=row.reverses__sequence,
        )
        for row in rows
    )
    return EventPage(events, events[-1].id if more else max(head, after), more)


def all_events_after(
    after: int, *, kinds: Collection[str] = (), party: Party | None = None
) -> Iterator[Event]:
    """Every event after an id, read in pages, so that a long history takes little memory."""
    more = True
    while more:
        page = events_after(after, kinds=kinds, party=party)
        yield from page.events
        after, more = page.next_after, page.more


def _kept_back(party: Party) -> Q:
    """Movements that an app tells the party nothing of, by `events_kept_back` of its AppConfig."""
    kept = Q(pk__in=())
    for config in apps.get_app_configs():
        path = getattr(config, "events_kept_back", None)
        if path:
            kept |= import_string(path)(party)
    return kept


def _theirs(party: Party) -> Q:
    """Lines of a lot that the party sent in, or that was its own by that line."""
    return Q(lot__received_from=party) | Q(owner=party)


def _concerns(party: Party) -> Q:
    def some(rows: object) -> Exists:
        return Exists(rows.filter(movement=OuterRef("pk")))  # type: ignore[attr-defined]

    return (
        some(Entry.objects.filter(_theirs(party), lot__isnull=False))
        | some(LotStanding.objects.filter(_theirs(party)))
        | some(MaterialEntry.objects.filter(lot__received_from=party))
        | some(ClaimEntry.objects.filter(owner=party))
    )


def _lots_of(movements: Collection[int], party: Party | None) -> dict[int, set[str]]:
    """By movement, the codes of the lots in it; of the party's alone, if one is given."""
    entries = Entry.objects.filter(lot__isnull=False)
    materials, standings = MaterialEntry.objects.all(), LotStanding.objects.all()
    if party is not None:
        entries = entries.filter(_theirs(party))
        standings = standings.filter(_theirs(party))
        materials = materials.filter(lot__received_from=party)
    found: dict[int, set[str]] = defaultdict(set)
    for rows in (entries, materials, standings):
        named = (
            rows.filter(movement__in=movements).order_by().values_list("movement_id", "lot__code")
        )
        for movement, code in named.distinct():
            found[movement].add(code)
    return found
