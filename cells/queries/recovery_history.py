"""What past recoveries found beside what was expected: the ground of the next bag's estimate."""

from __future__ import annotations

from typing import Final

from django.db.models import Value
from django.db.models.functions import Coalesce

from cells.electrochemistry.slimes_estimate import PastRecovery
from cells.models import RecoveryOutcome
from lots.ledger.holdings import NOW, AsOf

# The group of bags that were waiting when the ledger began: they teach the house's mean only.
OF_NO_CELL: Final = ""


def past_recoveries(as_of: AsOf = NOW) -> list[PastRecovery]:
    """Every outcome that stands, by metal and cell, in one query."""
    outcomes = RecoveryOutcome.objects.filter(closing__reversed_by__isnull=True)
    if as_of.occurred is not None:
        outcomes = outcomes.filter(closing__occurred_at__lte=as_of.occurred)
    if as_of.recorded is not None:
        outcomes = outcomes.filter(closing__recorded_at__lte=as_of.recorded)
    rows = outcomes.order_by("closing__sequence", "id").values_list(
        "metal",
        Coalesce("bag__run__cell__code", Value(OF_NO_CELL)),
        "estimated_ug",
        "estimated_u_ug",
        "recovered_ug",
        "recovered_u_ug",
    )
    return [PastRecovery(*row) for row in rows]
