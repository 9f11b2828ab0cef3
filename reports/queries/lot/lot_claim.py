"""What one lot added to its customer's claim on the works' pool."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from lots.ledger.holdings import NOW, AsOf
from lots.measurements.late_assay import WITH_CLAIM
from lots.models import ClaimEntry, Lot, LotStanding, Party
from lots.traces.lot_trace import Edge, ForwardTrace, trace_forward


@dataclass(frozen=True)
class _OwnerChange:
    """A lot that passed from one owner to another, with a claim on the pool in exchange or not."""

    at: dt.datetime
    lot: str
    old: Party
    new: Party
    with_claim: bool


def customer_of(lot: Lot) -> Party | None:
    """Whose metal it is or was: its owner, or the customer it came from."""
    for party in (lot.owner, lot.received_from):
        if party is not None and not party.is_house:
            return party
    return None


def joined_pool_ug(lot: Lot, ahead: ForwardTrace, as_of: AsOf = NOW) -> dict[str, int]:
    """Micrograms of the lot's metal that became the customer's claim, by metal (no zeros).

    That is what went from a lot of the customer's into one of the house's, each as it was owned
    then; the lot's share of every lot that a change of owner turned into a claim; and what its
    assay, ruled later, changed of either.
    """
    customer = customer_of(lot)
    if customer is None:
        return {}
    codes = {lot.code, *(node.key for node in ahead.graph.nodes if node.kind == "lot")}
    owners, changes = _owners(codes, as_of)
    count = _Count(customer, owners)
    for moment in sorted({change.at for change in changes}):
        then = trace_forward(lot, AsOf(moment, as_of.recorded))
        count.edges(then.graph.edges)
        for change in changes:
            if change.at == moment:
                count.change(change, then)
    count.edges(ahead.graph.edges)
    ruled = ClaimEntry.objects.filter(
        as_of.limit(),
        movement__ruling__lot=lot,
        owner=customer,
        movement__reversed_by__isnull=True,
    )
    for metal, mass_ug in ruled.values_list("metal", "mass_ug"):
        count.joined[metal] += mass_ug
    return {metal: mass_ug for metal, mass_ug in count.joined.items() if mass_ug}


class _Count:
    """Follows the lot's metal from one change of owner to the next."""

    def __init__(self, customer: Party, owners: dict[str, Party]) -> None:
        self.joined: dict[str, int] = defaultdict(int)
        self._customer = customer
        self._owners = owners
        self._seen: dict[tuple[str, str, str], int] = {}

    def edges(self, edges: Sequence[Edge]) -> None:
        """What went from lot to lot since it was last counted; a reversal goes the other way."""
        for edge in edges:
            key = (edge.source, edge.target, edge.metal)
            since_ug = edge.mass_ug - self._seen.get(key, 0)
            self._seen[key] = edge.mass_ug
            source, target = self._owners.get(edge.source), self._owners.get(edge.target)
            if source is not None and target is not None:
                self.joined[edge.metal] += self._sign(source, target) * since_ug

    def change(self, change: _OwnerChange, then: ForwardTrace) -> None:
        self._owners[change.lot] = change.new
        if change.with_claim:
            for part in then.parts:
                if part.lot is not None and part.lot.code == change.lot:
                    self.joined[part.metal] += self._sign(change.old, change.new) * part.mass_ug

    def _sign(self, old: Party, new: Party) -> int:
        if old == self._customer and new.is_house:
            return 1
        return -1 if old.is_house and new == self._customer else 0


def _owners(codes: set[str], as_of: AsOf) -> tuple[dict[str, Party], list[_OwnerChange]]:
    """Whose each lot was to begin with, and every later change, in order."""
    standings = (
        LotStanding.objects.filter(as_of.limit(), lot__code__in=codes)
        .select_related("owner", "lot", "movement__reversed_by")
        .order_by("occurred_at", "id")
    )
    first: dict[str, Party] = {}
    owners: dict[str, Party] = {}
    changes = []
    for each in standings:
        old = owners.get(each.lot.code)
        owners[each.lot.code] = each.owner
        if old is None:
            first[each.lot.code] = each.owner
        elif old != each.owner:
            movement = each.movement
            stands = movement.reverses_id is None and not hasattr(movement, "reversed_by")
            with_claim = stands and movement.cause == WITH_CLAIM
            changes.append(
                _OwnerChange(each.occurred_at, each.lot.code, old, each.owner, with_claim)
            )
    return first, changes
