"""What a delivery does to what is owed: to its party, and by the works against what it holds."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from lots.ledger.holdings import NOW, AsOf, claims_of, holdings
from lots.metals import Metal
from lots.models import ClaimEntry, DeliveryNote, Entry, Lot, Movement, Party
from lots.returning import charged_to_claim
from reports.queries.obligations import (
    Readiness,
    cover_ratio,
    obligations,
    readiness_of,
)


@dataclass(frozen=True)
class PoolPosition:
    """The works' pool at one time: owed out of it, held in it, and fine and deliverable of that."""

    owed_ug: int
    held_ug: int
    fine_ug: int

    @property
    def cover(self) -> Decimal | None:
        return cover_ratio(self.held_ug, self.owed_ug)

    @property
    def deliverable_cover(self) -> Decimal | None:
        return cover_ratio(self.fine_ug, self.owed_ug)


@dataclass(frozen=True)
class MetalEffect:
    """One metal, micrograms. `charged_ug` is taken off what the party is owed out of the pool."""

    metal: str
    leaving_ug: int
    charged_ug: int
    owed_before_ug: int
    pool_before: PoolPosition
    pool_after: PoolPosition

    @property
    def owed_after_ug(self) -> int:
        return self.owed_before_ug - self.charged_ug

    @property
    def is_too_much(self) -> bool:
        return self.owed_after_ug < 0


@dataclass
class _Leaving:
    """What leaves by metal: in all, out of the pool, of that fine, and charged to the claim."""

    whole_ug: dict[str, int]
    pool_ug: dict[str, int]
    fine_ug: dict[str, int]
    charged_ug: dict[str, int]

    @classmethod
    def nothing(cls) -> _Leaving:
        return cls(*(defaultdict(int) for _ in range(4)))

    def add(self, lot: Lot, metals_ug: Mapping[str, int], *, is_pool: bool) -> None:
        is_fine = readiness_of(lot.form, lot.place.area) == Readiness.FINE
        for metal, metal_ug in metals_ug.items():
            self.whole_ug[metal] += metal_ug
            if is_pool:
                self.pool_ug[metal] += metal_ug
                self.fine_ug[metal] += metal_ug if is_fine else 0

    def charge(self, charged_ug: Mapping[str, int]) -> None:
        for metal, metal_ug in charged_ug.items():
            self.charged_ug[metal] += metal_ug


def effect_of_plan(kind: str, party: Party, lots: Sequence[Lot]) -> list[MetalEffect]:
    """What delivering these lots now would do. `owner` and `place` must be at hand with each."""
    owed = claims_of(party)
    left = dict(owed)
    held = holdings(lots)
    leaving = _Leaving.nothing()
    for lot in lots:
        metals = held[lot.pk].metals
        leaving.add(lot, metals, is_pool=lot.owner.is_house)
        if kind == DeliveryNote.Kind.RETURN and lot.owner.is_house:
            charged = charged_to_claim(metals, left)
            leaving.charge(charged)
            for metal, charged_ug in charged.items():
                left[metal] = max(0, left.get(metal, 0) - charged_ug)
    now = _positions()
    return [
        MetalEffect(
            metal=metal,
            leaving_ug=leaving.whole_ug[metal],
            charged_ug=leaving.charged_ug[metal],
            owed_before_ug=owed.get(metal, 0),
            pool_before=now[metal],
            pool_after=_moved(now[metal], leaving, metal, -1),
        )
        for metal in _delivered(leaving)
    ]


def effect_of_note(note: DeliveryNote) -> list[MetalEffect]:
    """What a note did, by the books as of its moment. What was taken back there is left out."""
    as_of = AsOf(occurred=note.delivered_at)
    movements = Movement.objects.filter(delivery_line__note=note).exclude(
        reversed_by__occurred_at__lte=note.delivered_at
    )
    leaving = _Leaving.nothing()
    entries = Entry.objects.filter(movement__in=movements, lot__isnull=False)
    for entry in entries.select_related("lot__place", "owner"):
        assert entry.lot is not None
        leaving.add(entry.lot, {entry.metal: -entry.mass_ug}, is_pool=entry.owner.is_house)
    for claim in ClaimEntry.objects.filter(movement__in=movements, owner=note.party):
        leaving.charge({claim.metal: -claim.mass_ug})
    owed = claims_of(note.party, as_of)
    after = _positions(as_of)
    return [
        MetalEffect(
            metal=metal,
            leaving_ug=leaving.whole_ug[metal],
            charged_ug=leaving.charged_ug[metal],
            owed_before_ug=owed.get(metal, 0) + leaving.charged_ug[metal],
            pool_before=_moved(after[metal], leaving, metal, +1),
            pool_after=after[metal],
        )
        for metal in _delivered(leaving)
    ]


def _delivered(leaving: _Leaving) -> list[str]:
    """Copper is on the books but is not delivered, so it is in no cover."""
    return [m for m in Metal.values if m in leaving.whole_ug and m != Metal.CU]


def _moved(position: PoolPosition, leaving: _Leaving, metal: str, sign: int) -> PoolPosition:
    return PoolPosition(
        position.owed_ug + sign * leaving.charged_ug[metal],
        position.held_ug + sign * leaving.pool_ug[metal],
        position.fine_ug + sign * leaving.fine_ug[metal],
    )


def _positions(as_of: AsOf = NOW) -> dict[str, PoolPosition]:
    found = defaultdict(lambda: PoolPosition(0, 0, 0))
    for each in obligations(as_of).metals:
        held = each.held_ug
        found[each.metal] = PoolPosition(each.owed_ug, sum(held.values()), held[Readiness.FINE])
    return found
