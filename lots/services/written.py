"""The rows of one movement, and the digest that chains them to the movement before."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from dataclasses import dataclass
from typing import Any

from django.db.models import Model

from lots.models import ClaimEntry, Entry, LotStanding, MaterialEntry, Movement


@dataclass(frozen=True)
class Written:
    """Every row of one movement beside its head."""

    entries: list[Entry]
    claims: list[ClaimEntry]
    materials: list[MaterialEntry]
    standings: list[LotStanding]


def digest_of(previous: str, movement: Movement, lines: Written) -> str:
    """The SHA-256 that chains this movement, with every line of it, to the one before."""
    content = {
        "previous": previous,
        "movement": _values(
            movement,
            "sequence kind stage cause occurred_at recorded_at recorded_by_id counterparty_id "
            "reverses_id refers_to_id note",
        ),
        "entries": [
            _values(
                row,
                "lot_id account_id owner_id metal mass_ug standard_uncertainty_ug basis "
                "quantity_by_id content_by_id",
            )
            for row in lines.entries
        ],
        "claims": [_values(row, "owner_id metal mass_ug") for row in lines.claims],
        "materials": [
            _values(row, "lot_id mass_ug volume_ul quantity_by_id") for row in lines.materials
        ],
        "standings": [_values(row, "lot_id place_id owner_id") for row in lines.standings],
    }
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()


def _values(row: Model, names: str) -> list[Any]:
    values = [getattr(row, name) for name in names.split()]
    return [
        value.astimezone(dt.UTC).isoformat()
        if isinstance(value, dt.datetime)
        else str(value)
        if isinstance(value, str)
        else value
        for value in values
    ]
