"""The life of one lot, step by step: every movement that touched it, reversed ones too."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field

from django.db.models import Q

from lots.metals import Metal
from lots.models import Entry, Lot, LotStanding, MaterialEntry, Movement, Place


@dataclass(frozen=True)
class LifeStep:
    """One movement as the lot saw it: what it gained or gave (ug), and with whom or what.

    `place` is where it stood from then on, when the movement says so.
    """

    movement: Movement
    metals: dict[str, int]
    mass_ug: int
    volume_ul: int
    lots: tuple[Lot, ...]
    accounts: tuple[str, ...]
    place: Place | None
    is_reversed: bool


@dataclass
class _Around:
    lots: dict[int, Lot] = field(default_factory=dict)
    accounts: dict[str, None] = field(default_factory=dict)


def lifeline(lot: Lot) -> list[LifeStep]:
    """Oldest first by when it happened, in five queries whatever the length."""
    metals: dict[int, dict[str, int]] = defaultdict(lambda: defaultdict(int))
    for movement_id, metal, mass_ug in (
        Entry.objects.filter(lot=lot).order_by().values_list("movement_id", "metal", "mass_ug")
    ):
        metals[movement_id][metal] += mass_ug
    material: dict[int, tuple[int, int]] = {}
    for movement_id, mass_ug, volume_ul in (
        MaterialEntry.objects.filter(lot=lot)
        .order_by()
        .values_list("movement_id", "mass_ug", "volume_ul")
    ):
        before = material.get(movement_id, (0, 0))
        material[movement_id] = (before[0] + mass_ug, before[1] + volume_ul)
    places = {
        standing.movement_id: standing.place
        for standing in LotStanding.objects.filter(lot=lot).select_related("place").order_by("id")
    }
    ids = {*metals, *material, *places}
    around: dict[int, _Around] = defaultdict(_Around)
    others = Entry.objects.filter(movement_id__in=ids).filter(~Q(lot=lot) | Q(lot__isnull=True))
    for entry in others.select_related("lot", "account").order_by("id"):
        if entry.lot is not None:
            around[entry.movement_id].lots[entry.lot.pk] = entry.lot
        elif entry.account is not None:
            around[entry.movement_id].accounts[entry.account.name] = None
    movements = (
        Movement.objects.filter(pk__in=ids)
        .select_related("reverses", "reversed_by", "recorded_by")
        .order_by("occurred_at", "sequence")
    )
    return [
        LifeStep(
            movement=movement,
            metals={
                metal: metals[movement.pk][metal]
                for metal in Metal.values
                if metals[movement.pk].get(metal)
            },
            mass_ug=material.get(movement.pk, (0, 0))[0],
            volume_ul=material.get(movement.pk, (0, 0))[1],
            lots=tuple(around[movement.pk].lots.values()),
            accounts=tuple(around[movement.pk].accounts),
            place=places.get(movement.pk),
            is_reversed=hasattr(movement, "reversed_by"),
        )
        for movement in movements
    ]
