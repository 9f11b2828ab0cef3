"""What the receipt of a movement shows: its lines, its lots, and whether one may reverse it."""

from __future__ import annotations

from typing import Any

from django.db.models import prefetch_related_objects

from lots.models import Lot, Movement
from lots.people.roles import may_reverse, role_of_user


def movement_receipt(movement: Movement, user: Any) -> dict[str, Any]:
    prefetch_related_objects(
        [movement],
        "entries__lot",
        "entries__account",
        "entries__owner",
        "claim_entries__owner",
        "material_entries__lot",
        "standings__lot",
        "standings__place",
        "standings__owner",
        "excesses__lot",
        "confirmed_figures__confirmed_by",
        "confirmed_figures__explanation",
    )
    reversal = getattr(movement, "reversed_by", None)
    stands = reversal is None and movement.reverses_id is None
    return {
        "movement": movement,
        "reversal": reversal,
        "lots": touched_lots(movement),
        "can_reverse": stands and may_reverse(movement, role_of_user(user)),
    }


def touched_lots(movement: Movement) -> list[Lot]:
    """The lots a movement names, each once, from its prefetched lines."""
    lots = {entry.lot.pk: entry.lot for entry in movement.entries.all() if entry.lot}
    lots |= {standing.lot.pk: standing.lot for standing in movement.standings.all()}
    return list(lots.values())
