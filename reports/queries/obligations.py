"""Metal owed to customers against metal held, by how soon it can be delivered."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from enum import StrEnum
from typing import Final

from django.db.models import Sum

from lots.ledger.holdings import NOW, AsOf, holdings
from lots.ledger.snapshot import unmoving
from lots.ledger.standings import standings_of
from lots.metals import Metal
from lots.models import ClaimEntry, Lot, Party, Place
from lots.queries.set_aside import lots_set_aside
from reports.queries.inventory import Inventory, inventory

COVER: Final = (
    "Cover is what the works' pool holds over what customers have in it. Lots kept apart for a "
    "customer cover themselves and are in neither figure. Deliverable is fine metal that is not "
    "set aside; the rest must first be worked. Copper is on the books but is not delivered, "
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


@unmoving
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
            pool[row.metal][readiness_of(row.form, row.area)] += row.mass_ug
    for metal, mass_ug in _set_aside_ug(held.as_of).items():
        pool[metal][Readiness.FINE] -= mass_ug
        pool[metal][Readiness.IN_PROCESS] += mass_ug
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


def owed_by_customer(as_of: AsOf = NOW) -> list[tuple[Party, dict[str, int]]]:
    """What each customer has in the works' pool, micrograms by metal (no zeros), by name."""
    rows = (
        ClaimEntry.objects.filter(as_of.limit())
        .exclude(owner__kind=Party.Kind.HOUSE)
        .order_by()
        .values_list("owner_id", "metal")
        .annotate(total=Sum("mass_ug"))
    )
    owed: dict[int, dict[str, int]] = defaultdict(dict)
    for owner, metal, total in rows:
        if total:
            owed[owner][metal] = total
    customers = Party.objects.filter(pk__in=owed).order_by("name")
    return [(customer, owed[customer.pk]) for customer in customers]


def _set_aside_ug(as_of: AsOf) -> dict[str, int]:
    """Fine metal of the pool that was set aside where it stood, and so can't be delivered."""
    lots = Lot.objects.filter(pk__in=lots_set_aside(as_of), form__in=_FINE)
    standings = standings_of(lots, as_of)
    areas = dict(Place.objects.values_list("pk", "area"))
    houses = set(Party.objects.filter(kind=Party.Kind.HOUSE).values_list("pk", flat=True))
    found: dict[str, int] = defaultdict(int)
    for lot, held in holdings(list(standings), as_of).items():
        stood = standings[lot]
        if stood.owner_id in houses and areas[stood.place_id] != Place.Area.QUARANTINE:
            for metal, mass_ug in held.metals.items():
                found[metal] += mass_ug
    return found


def readiness_of(form: str, area: str) -> Readiness:
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
        cover=cover_ratio(whole_ug, owed_ug),
        deliverable_cover=cover_ratio(held[Readiness.FINE], owed_ug),
        warnings=tuple(warnings),
    )


def cover_ratio(held_ug: int, owed_ug: int) -> Decimal | None:
    if owed_ug <= 0:
        return None
    return (Decimal(held_ug) / owed_ug).quantize(Decimal("0.0001"), rounding=ROUND_HALF_UP)
