"""What metal is there, in what form, whose, and where: as of any moment, in three queries."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace

from django.db.models import OuterRef, Subquery, Sum

from lots.metals import Metal
from lots.models import ClaimEntry, Lot, LotStanding, Party, Place
from lots.queries.holdings import NOW, AsOf, balances


@dataclass(frozen=True)
class InventoryRow:
    """Metal of one form, owner and place together, in micrograms, and in how many lots."""

    metal: str
    form: str
    owner: str
    owner_name: str
    place: str
    place_name: str
    area: str
    lots: int
    mass_ug: int

    @property
    def form_name(self) -> str:
        return str(Lot.Form(self.form).label)

    @property
    def area_name(self) -> str:
        return str(Place.Area(self.area).label)


@dataclass(frozen=True)
class MetalPosition:
    """Where one metal is and whose it is: holdings = kept apart + customers' claims + house."""

    metal: str
    holdings_ug: int
    kept_apart_ug: int
    claims_ug: int
    house_ug: int

    @property
    def adrift_ug(self) -> int:
        """Nought, always; anything else is a fault of the ledger and is shown as one."""
        return self.holdings_ug - self.kept_apart_ug - self.claims_ug - self.house_ug


@dataclass(frozen=True)
class Inventory:
    as_of: AsOf
    rows: tuple[InventoryRow, ...]
    positions: tuple[MetalPosition, ...]

    def only(self, **wanted: str) -> Inventory:
        """The rows whose columns equal `wanted` (metal, form, owner, place, area)."""
        rows = tuple(
            row
            for row in self.rows
            if all(getattr(row, name) == value for name, value in wanted.items())
        )
        return replace(self, rows=rows)


@dataclass(frozen=True)
class _Stand:
    """A lot's form, with where it stood and whose it was at the moment asked of."""

    form: str
    owner: str
    owner_name: str
    is_house: bool
    place: str
    place_name: str
    area: str


def inventory(as_of: AsOf = NOW) -> Inventory:
    """Every holding as of the moment, grouped, and the position of each metal."""
    stands = _stands(as_of)
    mass: dict[tuple[str, _Stand], int] = defaultdict(int)
    lots: dict[tuple[str, _Stand], int] = defaultdict(int)
    holdings: dict[str, int] = defaultdict(int)
    kept_apart: dict[str, int] = defaultdict(int)
    for row in balances(as_of):
        metal, total, stand = row["metal"], row["total"], stands[row["lot_id"]]
        mass[metal, stand] += total
        lots[metal, stand] += 1
        holdings[metal] += total
        if not stand.is_house:
            kept_apart[metal] += total
    claims, house = _claims(as_of)
    metals = [
        metal for metal in Metal.values if metal in holdings or metal in claims or metal in house
    ]
    order = list(Metal.values)
    rows = [
        InventoryRow(
            metal=metal,
            form=stand.form,
            owner=stand.owner,
            owner_name=stand.owner_name,
            place=stand.place,
            place_name=stand.place_name,
            area=stand.area,
            lots=lots[metal, stand],
            mass_ug=total,
        )
        for (metal, stand), total in mass.items()
    ]
    rows.sort(key=lambda row: (order.index(row.metal), row.form, row.owner, row.place))
    return Inventory(
        as_of,
        tuple(rows),
        tuple(
            MetalPosition(
                metal,
                holdings.get(metal, 0),
                kept_apart.get(metal, 0),
                claims.get(metal, 0),
                house.get(metal, 0),
            )
            for metal in metals
        ),
    )


def _stands(as_of: AsOf) -> dict[int, _Stand]:
    latest = (
        LotStanding.objects.filter(as_of.limit(), lot=OuterRef("pk"))
        .order_by("-occurred_at", "-id")
        .values("pk")[:1]
    )
    filled = Lot.objects.filter(pk__in=balances(as_of).values("lot_id"))
    rows = LotStanding.objects.filter(
        pk__in=filled.order_by().annotate(latest=Subquery(latest)).values("latest")
    ).values_list(
        "lot_id",
        "lot__form",
        "owner__code",
        "owner__name",
        "owner__kind",
        "place__code",
        "place__name",
        "place__area",
    )
    return {
        lot_id: _Stand(form, owner, owner_name, kind == Party.Kind.HOUSE, place, place_name, area)
        for lot_id, form, owner, owner_name, kind, place, place_name, area in rows
    }


def _claims(as_of: AsOf) -> tuple[dict[str, int], dict[str, int]]:
    """What customers have in the pool and what is the house's own, by metal."""
    customers: dict[str, int] = defaultdict(int)
    house: dict[str, int] = defaultdict(int)
    rows = (
        ClaimEntry.objects.filter(as_of.limit())
        .order_by()
        .values_list("owner__kind", "metal")
        .annotate(total=Sum("mass_ug"))
    )
    for kind, metal, total in rows:
        if total:
            (house if kind == Party.Kind.HOUSE else customers)[metal] += total
    return dict(customers), dict(house)
