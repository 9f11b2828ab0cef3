"""What past recoveries found beside what was expected: the ground of the next bag's estimate."""

from __future__ import annotations

from cells.models import RecoveryOutcome
from cells.slimes_estimate import PastRecovery
from lots.queries.holdings import NOW, AsOf


def past_recoveries(as_of: AsOf = NOW) -> list[PastRecovery]:
    """Every outcome that stands, by metal and cell, in one query."""
    outcomes = RecoveryOutcome.objects.filter(closing__reversed_by__isnull=True)
    if as_of.occurred is not None:
        outcomes = outcomes.filter(closing__occurred_at__lte=as_of.occurred)
    if as_of.recorded is not None:
        outcomes = outcomes.filter(closing__recorded_at__lte=as_of.recorded)
    rows = outcomes.order_by("closing__sequence", "id").values_list(
        "metal",
        "bag__run__cell__code",
        "estimated_ug",
        "estimated_u_ug",
        "recovered_ug",
        "recovered_u_ug",
    )
    return [PastRecovery(*row) for row in rows]
