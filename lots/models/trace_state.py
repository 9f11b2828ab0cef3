"""Traces kept: what every lot was mixed of at some moments, so that a trace need not begin again.

Derived from the entries and from nothing else; it can be thrown away and made again at any time.
"""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from lots.models.lot import Lot


class TraceCheckpoint(models.Model):
    """A moment after which the mixture of every lot is kept, and the books it was reckoned from.

    It takes in every movement up to and at `moment` that was recorded by then. One posted later
    that happened no later makes it stale, and those after it, in the same transaction.
    """

    moment = models.DateTimeField()
    last_sequence = models.BigIntegerField()
    recorded_until = models.DateTimeField()
    made_at = models.DateTimeField()
    is_stale = models.BooleanField(default=False)

    class Meta:
        ordering = ["-moment"]
        constraints = [
            models.UniqueConstraint(
                fields=["moment"], condition=Q(is_stale=False), name="trace_checkpoint_once"
            )
        ]
        indexes = [models.Index(fields=["is_stale", "moment"], name="trace_checkpoint_moment")]

    def __str__(self) -> str:
        return f"traces up to {self.moment:%Y-%m-%d %H:%M} UTC"


class KeptMixture(models.Model):
    """What one lot was mixed of at a checkpoint, packed. It holds until a later one of the lot.

    Only lots that changed since the checkpoint before have a row.
    """

    checkpoint = models.ForeignKey(
        TraceCheckpoint, on_delete=models.PROTECT, related_name="mixtures"
    )
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="+", db_index=False)
    packed = models.TextField()

    class Meta:
        ordering = ["checkpoint", "lot"]
        constraints = [
            models.UniqueConstraint(fields=["lot", "checkpoint"], name="kept_mixture_once")
        ]

    def __str__(self) -> str:
        return f"{self.lot}, {self.checkpoint}"
