"""Where lots stood and whose they were at a moment."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from django.db.models import OuterRef, Subquery

from lots.models import Lot, LotStanding
from lots.queries.holdings import AsOf


@dataclass(frozen=True)
class Standing:
    place_id: int
    owner_id: int


def standings_of(lots: Iterable[Lot | int], as_of: AsOf) -> dict[int, Standing]:
    """The standing of each lot at that moment, in one query; lots not there yet are absent."""
    ids = [lot.pk if isinstance(lot, Lot) else lot for lot in lots]
    latest = (
        LotStanding.objects.filter(as_of.limit(), lot=OuterRef("pk"))
        .order_by("-occurred_at", "-id")
        .values("pk")[:1]
    )
    rows = LotStanding.objects.filter(
        pk__in=Lot.objects.filter(pk__in=ids).annotate(latest=Subquery(latest)).values("latest")
    ).values_list("lot_id", "place_id", "owner_id")
    return {lot_id: Standing(place_id, owner_id) for lot_id, place_id, owner_id in rows}
