"""Which movements stand, as the books were at a moment: posted by then and not reversed by then."""

from __future__ import annotations

from django.db.models import Q

from lots.ledger.holdings import NOW, AsOf


def standing(prefix: str = "movement", as_of: AsOf = NOW) -> Q:
    """The condition on the movement under `prefix` (empty for a movement itself)."""
    name = f"{prefix}__" if prefix else ""
    stands = Q(**{f"{name}reversed_by__isnull": True})
    limit = Q(**{f"{name}reverses__isnull": True})
    if as_of.occurred is not None:
        limit &= Q(**{f"{name}occurred_at__lte": as_of.occurred})
        stands |= Q(**{f"{name}reversed_by__occurred_at__gt": as_of.occurred})
    if as_of.recorded is not None:
        limit &= Q(**{f"{name}recorded_at__lte": as_of.recorded})
        stands |= Q(**{f"{name}reversed_by__recorded_at__gt": as_of.recorded})
    return limit & stands
