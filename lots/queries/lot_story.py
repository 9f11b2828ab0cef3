"""The movements of one lot in the order they happened, without those taken back."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from dataclasses import dataclass

from django.db.models import Sum

from lots.measurements.carried_change import Leg
from lots.models import Entry, Lot, LotStanding, MaterialEntry, Movement

Order = tuple[dt.datetime, int]


@dataclass(frozen=True)
class Passage:
    """One movement and what the lot gained or gave in it."""

    movement: Movement
    leg: Leg


def order_of(movement: Movement) -> Order:
    """When it happened; of movements of one moment, the one recorded first is first."""
    return movement.occurred_at, movement.sequence


def story_of(lot: Lot) -> list[Passage]:
    """Every movement that touched the lot, but for reversals, what they reversed, and rulings.

    A ruling's posting is left out because it says again what came in, and moves nothing.
    """
    metals: dict[int, dict[str, int]] = defaultdict(dict)
    rows = Entry.objects.filter(lot=lot).order_by().values_list("movement_id", "metal")
    for movement_id, metal, total in rows.annotate(total=Sum("mass_ug")):
        metals[movement_id][metal] = total
    material = {
        movement_id: (mass_ug, volume_ul)
        for movement_id, mass_ug, volume_ul in MaterialEntry.objects.filter(lot=lot)
        .order_by()
        .values_list("movement_id")
        .annotate(mass=Sum("mass_ug"), volume=Sum("volume_ul"))
        .values_list("movement_id", "mass", "volume")
    }
    stood = set(LotStanding.objects.filter(lot=lot).values_list("movement_id", flat=True))
    movements = (
        Movement.objects.filter(pk__in={*metals, *material, *stood})
        .filter(reverses__isnull=True, reversed_by__isnull=True)
        .exclude(kind=Movement.Kind.ASSAY_DIFFERENCE)
        .order_by("occurred_at", "sequence")
    )
    return [
        Passage(movement, Leg(metals.get(movement.pk, {}), *material.get(movement.pk, (0, 0))))
        for movement in movements
    ]
