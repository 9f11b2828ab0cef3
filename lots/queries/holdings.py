"""What a lot holds: metals, own mass and volume, now or as of a moment."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from django.db.models import Q, QuerySet, Sum

from lots.models import ClaimEntry, Entry, Lot, MaterialEntry, Party


@dataclass(frozen=True)
class AsOf:
    """The moment a question is asked of: by when things happened, and by when they were recorded.

    None means no limit. Both set answers "what did the books, as written by then, say of then?".
    """

    occurred: dt.datetime | None = None
    recorded: dt.datetime | None = None

    def limit(self) -> Q:
        limit = Q()
        if self.occurred is not None:
            limit &= Q(occurred_at__lte=self.occurred)
        if self.recorded is not None:
            limit &= Q(recorded_at__lte=self.recorded)
        return limit


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


def holdings(lots: Iterable[Lot | int], as_of: AsOf = NOW) -> dict[int, Holding]:
    """The holding of each lot asked for, in two queries. Every id asked for has an answer."""
    ids = [lot.pk if isinstance(lot, Lot) else lot for lot in lots]
    metals: dict[int, dict[str, int]] = {pk: {} for pk in ids}
    entries = (
        Entry.objects.filter(as_of.limit(), lot_id__in=ids)
        .order_by()
        .values_list("lot_id", "metal")
        .annotate(total=Sum("mass_ug"))
    )
    for lot_id, metal, total in entries:
        if total:
            assert lot_id is not None
            metals[lot_id][metal] = total
    material = {
        lot_id: (mass, volume)
        for lot_id, mass, volume in MaterialEntry.objects.filter(as_of.limit(), lot_id__in=ids)
        .order_by()
        .values_list("lot_id")
        .annotate(mass=Sum("mass_ug"), volume=Sum("volume_ul"))
        .values_list("lot_id", "mass", "volume")
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
