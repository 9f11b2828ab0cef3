"""Every line of every movement of a span of time, oldest first, streamed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass

from django.db.models import QuerySet

from lots.models import Entry, Movement


@dataclass(frozen=True)
class MovementRow:
    """One entry with the head of its movement; mass in micrograms, positive into the lot."""

    sequence: int
    occurred_at: dt.datetime
    recorded_at: dt.datetime
    recorded_by: str
    kind: str
    stage: str
    cause: str
    counterparty: str
    reverses: int | None
    lot: str
    account: str
    owner: str
    metal: str
    mass_ug: int
    standard_uncertainty_ug: int | None
    basis: str
    note: str


def entries_between(
    starts_at: dt.datetime, ends_at: dt.datetime, recorded: dt.datetime | None = None
) -> QuerySet[Entry]:
    """Entries that occurred from `starts_at` up to, not including, `ends_at`."""
    entries = Entry.objects.filter(occurred_at__gte=starts_at, occurred_at__lt=ends_at)
    return entries if recorded is None else entries.filter(recorded_at__lte=recorded)


def movement_rows(
    starts_at: dt.datetime, ends_at: dt.datetime, recorded: dt.datetime | None = None
) -> Iterator[MovementRow]:
    """The lines in the order of the ledger, from one query read in chunks."""
    rows = (
        entries_between(starts_at, ends_at, recorded)
        .order_by("movement__sequence", "id")
        .values_list(
            "movement__sequence",
            "occurred_at",
            "recorded_at",
            "movement__recorded_by__username",
            "movement__kind",
            "movement__stage",
            "movement__cause",
            "movement__counterparty__name",
            "movement__reverses__sequence",
            "lot__code",
            "account__name",
            "owner__name",
            "metal",
            "mass_ug",
            "standard_uncertainty_ug",
            "basis",
            "movement__note",
            named=True,
        )
    )
    for row in rows.iterator(chunk_size=2000):
        yield MovementRow(
            sequence=row.movement__sequence,
            occurred_at=row.occurred_at,
            recorded_at=row.recorded_at,
            recorded_by=row.movement__recorded_by__username,
            kind=str(Movement.Kind(row.movement__kind).label),
            stage=str(Movement.Stage(row.movement__stage).label),
            cause=row.movement__cause,
            counterparty=row.movement__counterparty__name or "",
            reverses=row.movement__reverses__sequence,
            lot=row.lot__code or "",
            account=row.account__name or "",
            owner=row.owner__name,
            metal=row.metal,
            mass_ug=row.mass_ug,
            standard_uncertainty_ug=row.standard_uncertainty_ug,
            basis=str(Entry.Basis(row.basis).label),
            note=row.movement__note,
        )
