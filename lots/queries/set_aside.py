"""Which lots were set aside in quarantine at a moment, by the movements that did it."""

from __future__ import annotations

from lots.ledger.holdings import NOW, AsOf
from lots.models import LotStanding
from lots.services.quarantine import QUARANTINE, RELEASE


def lots_set_aside(as_of: AsOf = NOW) -> set[int]:
    """The lots whose last such movement, reversed ones left out, set them aside."""
    moved = (
        LotStanding.objects.filter(
            as_of.limit(),
            movement__cause__in=(QUARANTINE, RELEASE),
            movement__reversed_by__isnull=True,
            movement__reverses__isnull=True,
        )
        .order_by("occurred_at", "id")
        .values_list("lot_id", "movement__cause")
    )
    return {lot for lot, cause in dict(moved).items() if cause == QUARANTINE}
