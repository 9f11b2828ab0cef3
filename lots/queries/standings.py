"""Where lots stood and whose they were at a moment."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from lots.models import Lot
from lots.queries.holdings import AsOf
from lots.queries.raw_sql import fetch, placeholders


@dataclass(frozen=True)
class Standing:
    place_id: int
    owner_id: int


def standings_of(lots: Iterable[Lot | int], as_of: AsOf) -> dict[int, Standing]:
    """The standing of each lot at that moment, in one query; lots not there yet are absent."""
    ids = [lot.pk if isinstance(lot, Lot) else lot for lot in lots]
    if not ids:
        return {}
    limit, moments = as_of.sql_limit()
    rows = fetch(
        "SELECT lot_id, place_id, owner_id FROM lots_lotstanding "
        f"WHERE lot_id IN {placeholders(ids)}{limit} ORDER BY lot_id, occurred_at, id",
        [*ids, *moments],
    )
    # The last of each lot's rows stays.
    return {lot_id: Standing(place_id, owner_id) for lot_id, place_id, owner_id in rows}
