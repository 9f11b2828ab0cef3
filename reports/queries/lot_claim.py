"""What one lot added to its customer's claim on the works' pool."""

from __future__ import annotations

from collections import defaultdict

from django.db.models import Q

from lots.models import ClaimEntry, Lot, Movement, Party
from lots.queries.holdings import NOW, AsOf
from lots.queries.trace import ForwardTrace
from lots.services.late_assay import WITH_CLAIM


def customer_of(lot: Lot) -> Party | None:
    """Whose metal it is or was: its owner, or the customer it came from."""
    for party in (lot.owner, lot.received_from):
        if party is not None and not party.is_house:
            return party
    return None


def joined_pool_ug(lot: Lot, ahead: ForwardTrace, as_of: AsOf = NOW) -> dict[str, int]:
    """Micrograms of the lot's metal that became the customer's claim, by metal (no zeros).

    That is what went from a customer's lot into one of the house's, what a change of owner of the
    lot turned into a claim, and what its assay, ruled later, changed of either.
    """
    joined: dict[str, int] = defaultdict(int)
    codes = [node.key for node in ahead.graph.nodes if node.kind == "lot"]
    kinds = dict(Lot.objects.filter(code__in=codes).values_list("code", "owner__kind"))
    for edge in ahead.graph.edges:
        source, target = kinds.get(edge.source), kinds.get(edge.target)
        if source == Party.Kind.CUSTOMER and target == Party.Kind.HOUSE:
            joined[edge.metal] += edge.mass_ug
    customer = customer_of(lot)
    claims = ClaimEntry.objects.filter(
        as_of.limit(),
        Q(movement__ruling__lot=lot)
        | Q(
            movement__kind=Movement.Kind.CHANGE_OF_OWNER,
            movement__cause=WITH_CLAIM,
            movement__standings__lot=lot,
        ),
        owner=customer,
        movement__reversed_by__isnull=True,
    )
    for metal, mass_ug in claims.values_list("metal", "mass_ug"):
        joined[metal] += mass_ug
    return {metal: mass_ug for metal, mass_ug in joined.items() if mass_ug}
