"""A movement before it is posted: its lines, as plain values."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from lots.models import Assay, Entry, Lot, Measurement, Movement, Party, Place


@dataclass(frozen=True)
class Line:
    """Metal into (positive) or out of (negative) a lot or an outside account (by its code).

    `owner` may be left out for a lot (its owner at that moment) and for an account (the house).
    """

    metal: str
    mass_ug: int
    lot: Lot | None = None
    account: str = ""
    owner: Party | None = None
    basis: str = Entry.Basis.PROPORTION
    standard_uncertainty_ug: int | None = None
    quantity_by: Measurement | None = None
    content_by: Assay | None = None


@dataclass(frozen=True)
class ClaimLine:
    """Metal added to (or taken from) an owner's claim on the works' pool."""

    owner: Party
    metal: str
    mass_ug: int


@dataclass(frozen=True)
class MaterialLine:
    """A change of a lot's own mass and volume."""

    lot: Lot
    mass_ug: int = 0
    volume_ul: int = 0
    quantity_by: Measurement | None = None


@dataclass(frozen=True)
class StandingLine:
    """From now on the lot stands there and belongs to that owner."""

    lot: Lot
    place: Place
    owner: Party


@dataclass(frozen=True)
class Draft:
    """A movement before it is posted."""

    kind: str
    stage: str
    lines: Sequence[Line] = ()
    claims: Sequence[ClaimLine] = ()
    materials: Sequence[MaterialLine] = ()
    standings: Sequence[StandingLine] = ()
    cause: str = ""
    counterparty: Party | None = None
    refers_to: Movement | None = None
    reverses: Movement | None = None
