"""Electrolyte: a lot of solution that goes from one run to the next, and what was found in it."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from cells.models.cell import Cell
from lots.models import Assay, Lot, Movement, VolumeReading
from lots.models.sealed import Sealed


class ElectrolyteBatch(Sealed):
    """One body of electrolyte. Its metals and volume are on the ledger under `lot`."""

    lot = models.OneToOneField(Lot, on_delete=models.PROTECT, related_name="electrolyte_batch")
    cell = models.ForeignKey(
        Cell,
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="electrolytes",
        help_text="The cell it stands in, if any.",
    )
    use_number = models.PositiveIntegerField(
        default=1, help_text="The use it is in, or the next one it is ready for."
    )
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["-id"]
        verbose_name_plural = "electrolyte batches"

    def __str__(self) -> str:
        return self.lot.code


class ElectrolyteReading(Sealed):
    """What was measured of an electrolyte at one time: volume, assay, free acid.

    `movement` brought the book to it; there is none while a run is under way, when the book still
    shows the electrolyte as it went in.
    """

    batch = models.ForeignKey(ElectrolyteBatch, on_delete=models.PROTECT, related_name="readings")
    taken_at = models.DateTimeField(db_index=True)
    recorded_at = models.DateTimeField()
    taken_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )
    volume = models.OneToOneField(
        VolumeReading, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    assay = models.OneToOneField(
        Assay, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    free_acid_g_per_l = models.DecimalField(max_digits=10, decimal_places=4, null=True, blank=True)
    free_acid_u_g_per_l = models.DecimalField(
        max_digits=10, decimal_places=4, null=True, blank=True
    )
    movement = models.OneToOneField(
        Movement,
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="electrolyte_reading",
    )
    note = models.CharField(max_length=500, blank=True)

    class Meta:
        ordering = ["-taken_at", "-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(free_acid_g_per_l__isnull=True) | Q(free_acid_g_per_l__gte=0),
                name="electrolyte_reading_acid",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.batch} measured {self.taken_at:%Y-%m-%d}"
