"""What a lot holds: metals, own mass and volume, now or as of a moment."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from django.db.models import Q, QuerySet, Sum

from lots.ledger.raw_sql import fetch, placeholders
from lots.models import ClaimEntry, Entry, Lot, Party


@dataclass(frozen=True)
class AsOf:
    """The moment a question is asked of: by when things happened, and by when they were recorded.

    None means no limit. Both set answers "what did the books, as written by then, say of then?".
    """

    occurred: dt.datetime | None = None
    recorded: dt.datetime | None = None

    def limit(self, path: str = "") -> Q:
        """What was there then; `path` leads to the moments, as in `movement__`."""
        limit = Q()
        if self.occurred is not None:
            limit &= Q((f"{path}occurred_at__lte", self.occurred))
        if self.recorded is not None:
            limit &= Q((f"{path}recorded_at__lte", self.recorded))
        return limit

    def sql_limit(self, table: str = "") -> tuple[str, list[dt.datetime]]:
        """The same as the end of a WHERE, with its parameters; `table` as in `m.`."""
        limits = [
            (f" AND {table}{column} <= %s", moment)
            for column, moment in (("occurred_at", self.occurred), ("recorded_at", self.recorded))
            if moment is not None
        ]
        return "".join(text for text, _ in limits), [moment for _, moment in limits]


NOW = AsOf()


@dataclass(frozen=True)
class Holding:
    """A lot's content: micrograms by metal (no zeros), its own mass and volume."""

    metals: dict[str, int] = field(default_factory=dict)
    mass_ug: int = 0
    volume_ul: int = 0

    @property
    def is_empty(self) -> bool:
        return not self.metals and not self.mass_ug and not self.volume_ul


def balances(as_of: AsOf = NOW) -> QuerySet[Entry, Any]:
    """Every lot's balance per metal from its entries: rows of lot_id, metal, total (ug)."""
    return (
        Entry.objects.filter(as_of.limit(), lot__isnull=False)
        .order_by()
        .values("lot_id", "metal")
        .annotate(total=Sum("mass_ug"))
        .filter(~Q(total=0))
    )


def balance_rows(as_of: AsOf = NOW) -> list[tuple[int, str, int]]:
    """The same as plain rows of lot id, metal and micrograms, for reports over everything."""
    limit, moments = as_of.sql_limit()
    return fetch(
        "SELECT lot_id, metal, CAST(SUM(mass_ug) AS bigint) FROM lots_entry "
        f"WHERE lot_id IS NOT NULL{limit} GROUP BY lot_id, metal HAVING SUM(mass_ug) <> 0",
        moments,
    )


def holdings(lots: Iterable[Lot | int], as_of: AsOf = NOW) -> dict[int, Holding]:
    """The holding of each lot asked for, in two queries. Every id asked for has an answer."""
    ids = [lot.pk if isinstance(lot, Lot) else lot for lot in lots]
    if not ids:
        return {}
    metals: dict[int, dict[str, int]] = {pk: {} for pk in ids}
    limit, moments = as_of.sql_limit()
    which = f"lot_id IN {placeholders(ids)}{limit}"
    for lot_id, metal, total in fetch(
        "SELECT lot_id, metal, SUM(mass_ug) FROM lots_entry "
        f"WHERE {which} GROUP BY lot_id, metal HAVING SUM(mass_ug) <> 0",
        [*ids, *moments],
    ):
        metals[lot_id][metal] = int(total)
    material = {
        lot_id: (int(mass), int(volume))
        for lot_id, mass, volume in fetch(
            "SELECT lot_id, SUM(mass_ug), SUM(volume_ul) FROM lots_materialentry "
            f"WHERE {which} GROUP BY lot_id",
            [*ids, *moments],
        )
    }
    return {pk: Holding(metals[pk], *material.get(pk, (0, 0))) for pk in ids}


def holding(lot: Lot, as_of: AsOf = NOW) -> Holding:
    """One lot's holding."""
    return holdings([lot], as_of)[lot.pk]


def claims_of(owner: Party, as_of: AsOf = NOW) -> dict[str, int]:
    """What an owner has in the works' pool, ug by metal (no zeros)."""
    rows = (
        ClaimEntry.objects.filter(as_of.limit(), owner=owner)
        .order_by()
        .values_list("metal")
        .annotate(total=Sum("mass_ug"))
    )
    return {metal: total for metal, total in rows if total}
