"""One lot's balance sheet: what came in, from where, what went out, to where, what is there now."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import islice
from typing import Final

from django.db.models import Q, QuerySet, Sum

from lots.ledger.holdings import NOW, AsOf, Holding, holdings
from lots.ledger.snapshot import unmoving
from lots.ledger.standings import standings_of
from lots.metals import Metal
from lots.models import Entry, Lot, MaterialEntry, Movement

PAGE: Final = 500
_METALS: Final = tuple(Metal.values)


@dataclass(frozen=True)
class SheetLine:
    """One metal of one movement: micrograms into (positive) or out of the lot, and what is left.

    `counterparts` are the codes of the lots and the names of the accounts on the other side.
    """

    sequence: int
    occurred_at: dt.datetime
    kind: str
    stage: str
    metal: str
    mass_ug: int
    standard_uncertainty_ug: int | None
    basis: str
    counterparts: tuple[str, ...]
    balance_ug: int

    @property
    def kind_name(self) -> str:
        return str(Movement.Kind(self.kind).label)


@dataclass(frozen=True)
class MetalBalance:
    """One metal of a lot: in - out = now, in micrograms."""

    metal: str
    in_ug: int
    out_ug: int

    @property
    def now_ug(self) -> int:
        return self.in_ug - self.out_ug


@dataclass(frozen=True)
class KindSum:
    """What movements of one kind brought (positive) or took, of one metal."""

    kind: str
    metal: str
    mass_ug: int

    @property
    def kind_name(self) -> str:
        return str(Movement.Kind(self.kind).label)


@dataclass(frozen=True)
class LotBalance:
    """A lot's balances, as one row of the list of all lots."""

    lot: Lot
    metals: tuple[MetalBalance, ...]
    mass_ug: int
    volume_ul: int


@dataclass(frozen=True)
class LotSheet:
    """The whole sheet of one lot, line by line in the order in which things happened."""

    lot: Lot
    as_of: AsOf
    owner_id: int | None
    place_id: int | None
    lines: tuple[SheetLine, ...]
    metals: tuple[MetalBalance, ...]
    kinds: tuple[KindSum, ...]
    holding: Holding = field(default_factory=Holding)


@unmoving
def lot_sheet(lot: Lot, as_of: AsOf = NOW) -> LotSheet:
    """The balance sheet of one lot, in a fixed number of queries."""
    entries = list(
        Entry.objects.filter(as_of.limit(), lot=lot)
        .select_related("movement")
        .order_by("occurred_at", "movement__sequence", "id")
    )
    others = _counterparts(lot, as_of)
    running: dict[str, int] = defaultdict(int)
    kinds: dict[tuple[str, str], int] = defaultdict(int)
    lines = []
    for entry in entries:
        running[entry.metal] += entry.mass_ug
        kinds[entry.movement.kind, entry.metal] += entry.mass_ug
        lines.append(
            SheetLine(
                sequence=entry.movement.sequence,
                occurred_at=entry.occurred_at,
                kind=entry.movement.kind,
                stage=entry.movement.stage,
                metal=entry.metal,
                mass_ug=entry.mass_ug,
                standard_uncertainty_ug=entry.standard_uncertainty_ug,
                basis=entry.basis,
                counterparts=others.get((entry.movement_id, entry.metal, entry.mass_ug > 0), ()),
                balance_ug=running[entry.metal],
            )
        )
    standing = standings_of([lot], as_of).get(lot.pk)
    return LotSheet(
        lot=lot,
        as_of=as_of,
        owner_id=standing.owner_id if standing else None,
        place_id=standing.place_id if standing else None,
        lines=tuple(lines),
        metals=_balances((entry.metal, entry.mass_ug) for entry in entries),
        kinds=tuple(
            KindSum(kind, metal, total)
            for (kind, metal), total in sorted(
                kinds.items(), key=lambda each: (each[0][0], _METALS.index(each[0][1]))
            )
            if total
        ),
        holding=holdings([lot], as_of)[lot.pk],
    )


def lot_list() -> QuerySet[Lot]:
    """Every lot, newest first, ready to be filtered and paged; then see `lot_balances`."""
    return Lot.objects.select_related("owner", "place", "received_from")


def lot_balances(page: Sequence[Lot], as_of: AsOf = NOW) -> list[LotBalance]:
    """The balances of the lots of one page, in two queries however long it is."""
    ids = [lot.pk for lot in page]
    rows = (
        Entry.objects.filter(as_of.limit(), lot_id__in=ids)
        .order_by()
        .values_list("lot_id", "metal")
        .annotate(
            into=Sum("mass_ug", filter=Q(mass_ug__gt=0)),
            out=Sum("mass_ug", filter=Q(mass_ug__lt=0)),
        )
    )
    metals: dict[int, list[MetalBalance]] = defaultdict(list)
    for lot_id, metal, into, out in rows:
        assert lot_id is not None
        metals[lot_id].append(MetalBalance(metal, into or 0, -(out or 0)))
    material = {
        lot_id: (mass_ug, volume_ul)
        for lot_id, mass_ug, volume_ul in MaterialEntry.objects.filter(
            as_of.limit(), lot_id__in=ids
        )
        .order_by()
        .values_list("lot_id")
        .annotate(mass=Sum("mass_ug"), volume=Sum("volume_ul"))
        .values_list("lot_id", "mass", "volume")
    }
    return [
        LotBalance(
            lot,
            tuple(sorted(metals[lot.pk], key=lambda each: _METALS.index(each.metal))),
            *material.get(lot.pk, (0, 0)),
        )
        for lot in page
    ]


def every_lot_balance(as_of: AsOf = NOW) -> Iterator[LotBalance]:
    """The balances of all lots, newest first, read a page at a time."""
    lots = lot_list().iterator(chunk_size=PAGE)
    while page := list(islice(lots, PAGE)):
        yield from lot_balances(page, as_of)


def _balances(entries: Iterable[tuple[str, int]]) -> tuple[MetalBalance, ...]:
    into: dict[str, int] = defaultdict(int)
    out: dict[str, int] = defaultdict(int)
    for metal, mass_ug in entries:
        (into if mass_ug > 0 else out)[metal] += abs(mass_ug)
    return tuple(
        MetalBalance(metal, into[metal], out[metal])
        for metal in _METALS
        if metal in into or metal in out
    )


def _counterparts(lot: Lot, as_of: AsOf) -> dict[tuple[int, str, bool], tuple[str, ...]]:
    """Who is on the other side, by movement, metal and whether it came into the lot."""
    rows = (
        Entry.objects.filter(
            movement__in=Entry.objects.filter(as_of.limit(), lot=lot).values("movement")
        )
        .exclude(lot=lot)
        .order_by("id")
        .values_list("movement_id", "metal", "mass_ug", "lot__code", "account__name")
    )
    found: dict[tuple[int, str, bool], dict[str, None]] = defaultdict(dict)
    for movement_id, metal, mass_ug, code, account in rows:
        found[movement_id, metal, mass_ug < 0][code or account] = None
    return {key: tuple(names) for key, names in found.items()}
