"""What metal is there, in what form, whose, and where: as of any moment, in five queries."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Final

from django.db.models import OuterRef, Subquery, Sum

from lots.ledger.holdings import NOW, AsOf, balance_rows, balances
from lots.ledger.snapshot import unmoving
from lots.metals import Metal
from lots.models import ClaimEntry, Lot, LotStanding, Party, Place

_METALS: Final = tuple(Metal.values)


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


# A lot's form, its owner and its place, by key: what holdings are grouped by beside the metal.
_Stand = tuple[str, int, int]


@unmoving
def inventory(as_of: AsOf = NOW) -> Inventory:
    """Every holding as of the moment, grouped, and the position of each metal."""
    stands = _stands(as_of)
    mass: dict[tuple[str, _Stand], int] = defaultdict(int)
    lots: dict[tuple[str, _Stand], int] = defaultdict(int)
    for lot_id, metal, mass_ug in balance_rows(as_of):
        key = metal, stands[lot_id]
        mass[key] += mass_ug
        lots[key] += 1
    parties, places = Party.objects.in_bulk(), Place.objects.in_bulk()
    rows = [
        InventoryRow(
            metal=metal,
            form=form,
            owner=parties[owner_id].code,
            owner_name=parties[owner_id].name,
            place=places[place_id].code,
            place_name=places[place_id].name,
            area=places[place_id].area,
            lots=lots[metal, (form, owner_id, place_id)],
            mass_ug=mass_ug,
        )
        for (metal, (form, owner_id, place_id)), mass_ug in mass.items()
    ]
    rows.sort(key=lambda row: (_METALS.index(row.metal), row.form, row.owner, row.place))
    house = {party.code for party in parties.values() if party.is_house}
    return Inventory(as_of, tuple(rows), _positions(rows, house, as_of))


def _positions(
    rows: Sequence[InventoryRow], house: Collection[str], as_of: AsOf
) -> tuple[MetalPosition, ...]:
    holdings: dict[str, int] = defaultdict(int)
    kept_apart: dict[str, int] = defaultdict(int)
    for row in rows:
        holdings[row.metal] += row.mass_ug
        if row.owner not in house:
            kept_apart[row.metal] += row.mass_ug
    claims, own = _claims(as_of)
    return tuple(
        MetalPosition(
            metal,
            holdings.get(metal, 0),
            kept_apart.get(metal, 0),
            claims.get(metal, 0),
            own.get(metal, 0),
        )
        for metal in _METALS
        if metal in holdings or metal in claims or metal in own
    )


def _stands(as_of: AsOf) -> dict[int, _Stand]:
    latest = (
        LotStanding.objects.filter(as_of.limit(), lot=OuterRef("pk"))
        .order_by("-occurred_at", "-id")
        .values("pk")[:1]
    )
    filled = Lot.objects.filter(pk__in=balances(as_of).values("lot_id"))
    rows = (
        LotStanding.objects.filter(
            pk__in=filled.order_by().annotate(latest=Subquery(latest)).values("latest")
        )
        .order_by()
        .values_list("lot_id", "lot__form", "owner_id", "place_id")
    )
    return {lot_id: (form, owner_id, place_id) for lot_id, form, owner_id, place_id in rows}


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
