"""Where lots stood and whose they were at a moment."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass

from lots.ledger.holdings import AsOf
from lots.ledger.raw_sql import fetch, moment_of, placeholders
from lots.models import Lot


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


@dataclass(frozen=True)
class Owners:
    """A lot's owner at a moment, and each later one with when it became the owner."""

    then: int | None
    later: tuple[tuple[dt.datetime, int], ...] = ()


def owners_from(lots: Iterable[int], moment: dt.datetime) -> dict[int, Owners]:
    """Whose each lot is at the moment and after it, in one query; `then` is None before it is."""
    ids = list(lots)
    if not ids:
        return {}
    rows = fetch(
        "SELECT lot_id, owner_id, CASE WHEN occurred_at > %s THEN occurred_at END "
        f"FROM lots_lotstanding WHERE lot_id IN {placeholders(ids)} "
        "ORDER BY lot_id, occurred_at, id",
        [moment, *ids],
    )
    found: dict[int, Owners] = {}
    for lot_id, owner_id, later in rows:
        so_far = found.get(lot_id, Owners(None))
        if later is None:
            found[lot_id] = Owners(owner_id)
        elif owner_id != (so_far.later[-1][1] if so_far.later else so_far.then):
            found[lot_id] = Owners(so_far.then, (*so_far.later, (moment_of(later), owner_id)))
        else:
            found[lot_id] = so_far
    return found
