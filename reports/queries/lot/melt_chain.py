"""The lots one lot was melted into, whole: what was measured of them was measured of it."""

from __future__ import annotations

from lots.ledger.holdings import NOW, AsOf
from lots.models import Entry, Lot, Movement


def melt_chain(lot: Lot, as_of: AsOf = NOW) -> list[Lot]:
    """The lot, what it was melted into, what that was melted into, and so on."""
    chain = [lot]
    while True:
        melted_into = (
            Entry.objects.filter(
                as_of.limit(),
                movement__in=Movement.objects.filter(
                    as_of.limit(),
                    kind=Movement.Kind.MELT,
                    reversed_by__isnull=True,
                    material_entries__lot=chain[-1],
                    material_entries__mass_ug__lt=0,
                ),
                lot__isnull=False,
                mass_ug__gt=0,
            )
            .exclude(lot=chain[-1])
            .order_by("id")
            .select_related("lot")
            .first()
        )
        if melted_into is None or melted_into.lot is None or melted_into.lot in chain:
            return chain
        chain.append(melted_into.lot)
