"""Which assay of a lot counts, and what that changed: in the lot, and where its metal had gone."""

from __future__ import annotations

from django.conf import settings
from django.db import models

from lots.metals import Metal
from lots.models.ledger import Movement
from lots.models.lot import Lot
from lots.models.measurements import Assay
from lots.models.sealed import Sealed


class AssayRuling(Sealed):
    """Which assay of a lot counts, from when, and why. The latest not taken back holds.

    `movement` posted what the ruling changed; reversing it takes the ruling back.
    """

    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="rulings")
    assay = models.ForeignKey(Assay, on_delete=models.PROTECT, related_name="rulings")
    movement = models.OneToOneField(Movement, on_delete=models.PROTECT, related_name="ruling")
    content_before = models.CharField(max_length=16, choices=Lot.Content.choices)
    reason = models.CharField(max_length=200)
    decided_at = models.DateTimeField()
    decided_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )

    class Meta:
        ordering = ["-decided_at", "-id"]

    def __str__(self) -> str:
        return f"{self.assay} rules {self.lot}"


class ContentChange(Sealed):
    """By how much a ruling changed what came into a lot; part of that may have moved on since.

    One row for the lot ruled, with its content as ruled, and one for each lot its metal had gone
    into. `entered_by` is the movement by which that metal came into the lot.
    """

    movement = models.ForeignKey(Movement, on_delete=models.PROTECT, related_name="content_changes")
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="content_changes")
    entered_by = models.ForeignKey(Movement, on_delete=models.PROTECT, related_name="+")
    metal = models.CharField(max_length=2, choices=Metal.choices)
    mass_ug = models.BigIntegerField()
    content_ug = models.BigIntegerField(null=True, blank=True)
    standard_uncertainty_ug = models.BigIntegerField(null=True, blank=True)

    class Meta:
        ordering = ["movement_id", "id"]
        indexes = [models.Index(fields=["lot", "metal"], name="content_change_lot")]

    def __str__(self) -> str:
        return f"{self.mass_ug:+d} ug {self.metal} of what came into {self.lot}"
