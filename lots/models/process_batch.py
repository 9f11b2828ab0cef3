"""A step of the works outside the cell: what went in, what came out, what is unaccounted for."""

from __future__ import annotations

from django.conf import settings
from django.db import models

from lots.models.ledger import Movement
from lots.models.lot import Lot
from lots.models.sealed import Sealed


class ProcessBatch(Sealed):
    """One run of a process. While it is open its metal stands in `vessel`, a lot in process."""

    class Kind(models.TextChoices):
        PARTING = "parting", "Parting gold from silver"
        DISSOLUTION = "dissolution", "Dissolution"
        CEMENTATION = "cementation", "Cementation of silver on copper"
        SLIMES_RECOVERY = "slimes_recovery", "Slimes recovery"
        GRANULATING = "granulating", "Granulating"
        FINE_MELT = "fine_melt", "Fine melt to bars"
        MELT = "melt", "Melt"
        OTHER = "other", "Other"

    class State(models.TextChoices):
        OPEN = "open", "Open"
        CLOSED = "closed", "Closed"

    code = models.CharField(max_length=20, unique=True)
    kind = models.CharField(max_length=16, choices=Kind.choices, db_index=True)
    state = models.CharField(max_length=8, choices=State.choices, default=State.OPEN, db_index=True)
    vessel = models.OneToOneField(Lot, on_delete=models.PROTECT, related_name="process_batch")
    started_at = models.DateTimeField(db_index=True)
    closed_at = models.DateTimeField(null=True, blank=True)
    started_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )
    closing_movement = models.OneToOneField(
        Movement, on_delete=models.PROTECT, null=True, blank=True, related_name="closes_batch"
    )
    note = models.CharField(max_length=500, blank=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["-started_at", "-id"]
        verbose_name_plural = "process batches"

    def __str__(self) -> str:
        return self.code
