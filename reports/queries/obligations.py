"""Metal owed to customers against metal held, by how soon it can be delivered."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from enum import StrEnum
from typing import Final

from lots.metals import Metal
from lots.models import Lot, Party, Place
from lots.queries.holdings import NOW, AsOf
from reports.queries.inventory import Inventory, inventory

COVER: Final = (
    "Cover is what the works' pool holds over what customers have in it. Lots kept apart for a "
    "customer cover themselves and are in neither figure. Deliverable is fine metal that is not in "
    "quarantine; the rest must first be worked. Copper is on the books but is not delivered, "
    "so it has no cover."
)
_FINE: Final = {Lot.Form.FINE_CRYSTAL, Lot.Form.BAR, Lot.Form.FINE_GOLD}


class Readiness(StrEnum):
    """How soon metal can be delivered."""

    FINE = "fine"
    IN_PROCESS = "in_process"
    IN_SLIMES = "in_slimes"


class CoverWarning(StrEnum):
    """What a metal's cover gives cause to look at."""

    OWED_ABOVE_HELD = "owed_above_held"
    OWED_ABOVE_DELIVERABLE = "owed_above_deliverable"


@dataclass(frozen=True)
class MetalObligation:
    """One metal, micrograms. `held_ug` is the pool's metal by readiness.

    The cover ratios are to four decimals, None when nothing is owed.
    """

    metal: str
    owed_ug: int
    kept_apart_ug: int
    held_ug: dict[Readiness, int]
    house_own_ug: int
    cover: Decimal | None
    deliverable_cover: Decimal | None
    warnings: tuple[CoverWarning, ...]


@dataclass(frozen=True)
class Obligations:
    as_of: AsOf
    metals: tuple[MetalObligation, ...]
    note: str = COVER


def obligations(as_of: AsOf = NOW) -> Obligations:
    """What is owed and held, per metal, as of then; forms and places as they stood."""
    return obligations_from(inventory(as_of))


def obligations_from(held: Inventory) -> Obligations:
    """The same, when the inventory is already at hand."""
    pool: dict[str, dict[Readiness, int]] = defaultdict(lambda: dict.fromkeys(Readiness, 0))
    positions = {position.metal: position for position in held.positions}
    houses = set(Party.objects.filter(kind=Party.Kind.HOUSE).values_list("code", flat=True))
    for row in held.rows:
        if row.owner in houses:
            pool[row.metal][_readiness(row.form, row.area)] += row.mass_ug
    metals = [metal for metal in Metal.values if metal in positions and metal != Metal.CU]
    return Obligations(
        held.as_of,
        tuple(
            _obligation(
                metal, positions[metal].claims_ug, positions[metal].kept_apart_ug, pool[metal]
            )
            for metal in metals
        ),
    )


def _readiness(form: str, area: str) -> Readiness:
    if form == Lot.Form.SLIMES_BAG:
        return Readiness.IN_SLIMES
    is_ready = form in _FINE and area != Place.Area.QUARANTINE
    return Readiness.FINE if is_ready else Readiness.IN_PROCESS


def _obligation(
    metal: str, owed_ug: int, kept_apart_ug: int, held: dict[Readiness, int]
) -> MetalObligation:
    whole_ug = sum(held.values())
    warnings = []
    if owed_ug > whole_ug:
        warnings.append(CoverWarning.OWED_ABOVE_HELD)
    if owed_ug > held[Readiness.FINE]:
        warnings.append(CoverWarning.OWED_ABOVE_DELIVERABLE)
    return MetalObligation(
        metal=metal,
        owed_ug=owed_ug,
        kept_apart_ug=kept_apart_ug,
        held_ug=held,
        house_own_ug=whole_ug - owed_ug,
        cover=_ratio(whole_ug, owed_ug),
        deliverable_cover=_ratio(held[Readiness.FINE], owed_ug),
        warnings=tuple(warnings),
    )


def _ratio(held_ug: int, owed_ug: int) -> Decimal | None:
    if owed_ug <= 0:
        return None
    return (Decimal(held_ug) / owed_ug).quantize(Decimal("0.0001"), rounding=ROUND_HALF_UP)
