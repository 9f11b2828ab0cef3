"""The chain over movements: each digest covers one movement, all its lines and the digest before.

Any byte changed afterwards, in any covered column, breaks the chain from there on.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Iterable, Sequence
from typing import Any, Final

FIRST_DIGEST: Final = "0" * 64

# The columns covered, in the order in which they are covered: part of the meaning of every digest
# ever written, so a change here needs a new kind of digest beside the old one.
MOVEMENT_COLUMNS: Final = (
    "sequence",
    "kind",
    "stage",
    "cause",
    "occurred_at",
    "recorded_at",
    "recorded_by_id",
    "counterparty_id",
    "reverses_id",
    "refers_to_id",
    "note",
)
ENTRY_COLUMNS: Final = (
    "lot_id",
    "account_id",
    "owner_id",
    "metal",
    "mass_ug",
    "standard_uncertainty_ug",
    "basis",
    "quantity_by_id",
    "content_by_id",
)
CLAIM_COLUMNS: Final = ("owner_id", "metal", "mass_ug")
MATERIAL_COLUMNS: Final = ("lot_id", "mass_ug", "volume_ul", "quantity_by_id")
STANDING_COLUMNS: Final = ("lot_id", "place_id", "owner_id")

Row = Sequence[Any]


def chained_digest(
    previous: str,
    movement: Row,
    *,
    entries: Iterable[Row],
    claims: Iterable[Row],
    materials: Iterable[Row],
    standings: Iterable[Row],
) -> str:
    """SHA-256 (hex) of the digest before and the covered values, as JSON with sorted keys.

    Rows are values in the order of the columns above; lines come in the order they were written.
    """
    content = {
        "claims": [_plain(row) for row in claims],
        "entries": [_plain(row) for row in entries],
        "materials": [_plain(row) for row in materials],
        "movement": _plain(movement),
        "previous": previous,
        "standings": [_plain(row) for row in standings],
    }
    text = json.dumps(content, separators=(",", ":"), ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()


def _plain(row: Row) -> list[Any]:
    return [
        value.astimezone(dt.UTC).isoformat() if isinstance(value, dt.datetime) else value
        for value in row
    ]
