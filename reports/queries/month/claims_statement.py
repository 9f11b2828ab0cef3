"""Each owner's account of the month: lots kept apart, and the claim on the works' pool."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from dataclasses import dataclass

from django.db.models import Sum

from lots.ledger.holdings import AsOf
from lots.ledger.snapshot import unmoving
from lots.metals import Metal
from lots.models import ClaimEntry, Movement, Party
from reports.queries.inventory import Inventory, inventory
from reports.queries.month.periods import Period


@dataclass(frozen=True)
class ClaimChange:
    """What one kind of movement did to a claim in the month, in micrograms."""

    kind: str
    change_ug: int

    @property
    def kind_name(self) -> str:
        return str(Movement.Kind(self.kind).label)


@dataclass(frozen=True)
class OwnerStatement:
    """One owner and metal: claim at the start, changes, claim at the end, and what is kept apart.

    The house's claim is what is left of the pool after the customers': its own position.
    """

    owner: str
    owner_name: str
    is_house: bool
    metal: str
    opening_ug: int
    changes: tuple[ClaimChange, ...]
    closing_ug: int
    apart_opening_ug: int
    apart_closing_ug: int


@unmoving
def claims_statement(
    period: Period, *, owner: Party | None = None, recorded: dt.datetime | None = None
) -> tuple[OwnerStatement, ...]:
    """Every owner's statement of the month, or one owner's, in a fixed number of queries."""
    return owner_statements(
        period,
        inventory(period.opening(recorded)),
        inventory(period.closing(recorded)),
        owner=owner,
        recorded=recorded,
    )


def owner_statements(
    period: Period,
    opening: Inventory,
    closing: Inventory,
    *,
    owner: Party | None = None,
    recorded: dt.datetime | None = None,
) -> tuple[OwnerStatement, ...]:
    """The same, when the inventories at both ends are already at hand."""
    parties = {party.code: party for party in Party.objects.all()}
    if owner is not None:
        parties = {owner.code: owner}
    book = _Book(
        before=_claims(period.opening(recorded)),
        changes=_changes(period, recorded),
        apart_before=_apart(opening),
        apart_after=_apart(closing),
    )
    return tuple(
        book.statement(party, metal)
        for party in sorted(parties.values(), key=lambda each: (each.is_house, each.name))
        for metal in Metal.values
        if book.has(party, metal)
    )


@dataclass(frozen=True)
class _Book:
    """Claims and lots kept apart, by owner's code and metal."""

    before: dict[tuple[str, str], int]
    changes: dict[tuple[str, str], tuple[ClaimChange, ...]]
    apart_before: dict[tuple[str, str], int]
    apart_after: dict[tuple[str, str], int]

    def has(self, party: Party, metal: str) -> bool:
        parts = (self.before, self.changes, self.apart_before, self.apart_after)
        return any((party.code, metal) in part for part in parts)

    def statement(self, party: Party, metal: str) -> OwnerStatement:
        key = (party.code, metal)
        made = self.changes.get(key, ())
        opening_ug = self.before.get(key, 0)
        return OwnerStatement(
            owner=party.code,
            owner_name=party.name,
            is_house=party.is_house,
            metal=metal,
            opening_ug=opening_ug,
            changes=made,
            closing_ug=opening_ug + sum(change.change_ug for change in made),
            apart_opening_ug=self.apart_before.get(key, 0),
            apart_closing_ug=self.apart_after.get(key, 0),
        )


def _claims(as_of: AsOf) -> dict[tuple[str, str], int]:
    rows = (
        ClaimEntry.objects.filter(as_of.limit())
        .order_by()
        .values_list("owner__code", "metal")
        .annotate(total=Sum("mass_ug"))
    )
    return {(owner, metal): total for owner, metal, total in rows if total}


def _changes(
    period: Period, recorded: dt.datetime | None
) -> dict[tuple[str, str], tuple[ClaimChange, ...]]:
    rows = (
        ClaimEntry.objects.filter(
            AsOf(recorded=recorded).limit(),
            occurred_at__gte=period.starts_at,
            occurred_at__lt=period.ends_at,
        )
        .order_by()
        .values_list("owner__code", "metal", "movement__kind")
        .annotate(total=Sum("mass_ug"))
        .order_by("movement__kind")
    )
    changes: dict[tuple[str, str], list[ClaimChange]] = defaultdict(list)
    for owner, metal, kind, total in rows:
        if total:
            changes[owner, metal].append(ClaimChange(kind, total))
    return {key: tuple(made) for key, made in changes.items()}


def _apart(held: Inventory) -> dict[tuple[str, str], int]:
    """What stands in an owner's own lots; of the house, nothing: its lots are the pool."""
    house = {party.code for party in Party.objects.filter(kind=Party.Kind.HOUSE)}
    sums: dict[tuple[str, str], int] = defaultdict(int)
    for row in held.rows:
        if row.owner not in house:
            sums[row.owner, row.metal] += row.mass_ug
    return dict(sums)
