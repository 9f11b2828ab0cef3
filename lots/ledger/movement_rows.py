"""The rows of one movement, and the digest that chains them to the movement before."""

from __future__ import annotations

from dataclasses import dataclass
from operator import attrgetter
from typing import Final

from lots.ledger.digests import (
    CLAIM_COLUMNS,
    ENTRY_COLUMNS,
    MATERIAL_COLUMNS,
    MOVEMENT_COLUMNS,
    STANDING_COLUMNS,
    chained_digest,
)
from lots.models import ClaimEntry, Entry, LotStanding, MaterialEntry, Movement

_MOVEMENT: Final = attrgetter(*MOVEMENT_COLUMNS)
_ENTRY: Final = attrgetter(*ENTRY_COLUMNS)
_CLAIM: Final = attrgetter(*CLAIM_COLUMNS)
_MATERIAL: Final = attrgetter(*MATERIAL_COLUMNS)
_STANDING: Final = attrgetter(*STANDING_COLUMNS)


@dataclass(frozen=True)
class Written:
    """Every row of one movement beside its head."""

    entries: list[Entry]
    claims: list[ClaimEntry]
    materials: list[MaterialEntry]
    standings: list[LotStanding]


def digest_of(previous: str, movement: Movement, lines: Written) -> str:
    """The digest that chains this movement, with every line of it, to the one before."""
    return chained_digest(
        previous,
        _MOVEMENT(movement),
        entries=map(_ENTRY, lines.entries),
        claims=map(_CLAIM, lines.claims),
        materials=map(_MATERIAL, lines.materials),
        standings=map(_STANDING, lines.standings),
    )
