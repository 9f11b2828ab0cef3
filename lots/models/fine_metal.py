"""Fine metal on its way out: bars as listed, analyses for impurities, and delivery notes."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from lots.metals import Metal
from lots.models.ledger import Movement
from lots.models.lot import Lot
from lots.models.measurements import Assay, Weighing
from lots.models.reference import Party
from lots.models.sealed import Sealed


class BarRecord(Sealed):
    """A bar as its list states it: weights in troy ounces, with the rules that gave them.

    One listed wrongly is struck out and stays on record; a lot has one entry in force.
    """

    class Basis(models.TextChoices):
        """What the fine weight is by."""

        FORMULA = "formula", "Formula"
        AGREED_TABLE = "agreed table", "Agreed table"
        NOT_STATED = "not stated", "Not stated"

    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="bar_records")
    mark = models.CharField(max_length=40, help_text="As stamped on the bar.")
    metal = models.CharField(max_length=2, choices=Metal.choices)
    weighing = models.ForeignKey(Weighing, on_delete=models.PROTECT, related_name="bar_records")
    assay = models.ForeignKey(Assay, on_delete=models.PROTECT, related_name="bar_records")
    mass_ug = models.BigIntegerField()
    gross_ozt = models.DecimalField(max_digits=14, decimal_places=6)
    gross_rule = models.CharField(max_length=200)
    fineness_ppt = models.DecimalField(max_digits=10, decimal_places=6)
    fine_ozt = models.DecimalField(max_digits=14, decimal_places=6, null=True, blank=True)
    fine_basis = models.CharField(max_length=12, choices=Basis.choices)
    fine_rule = models.CharField(max_length=200)
    fine_source = models.CharField(max_length=300, blank=True)
    listed_at = models.DateTimeField(db_index=True)
    recorded_at = models.DateTimeField()
    listed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )
    note = models.CharField(max_length=500, blank=True)
    struck_at = models.DateTimeField(null=True, blank=True)
    struck_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    struck_reason = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["-listed_at", "-id"]
        constraints = [
            models.UniqueConstraint(
                fields=["lot"], condition=Q(struck_at=None), name="bar_record_one_a_lot"
            ),
            models.UniqueConstraint(
                fields=["mark"], condition=Q(struck_at=None), name="bar_record_one_a_mark"
            ),
            models.CheckConstraint(
                condition=Q(struck_at=None, struck_by=None)
                | Q(struck_at__isnull=False, struck_by__isnull=False),
                name="bar_record_struck_by_someone",
            ),
        ]

    def __str__(self) -> str:
        return f"bar {self.mark}"


class ImpurityAnalysis(Sealed):
    """What a laboratory found in fine metal, element by element. The latest reported counts."""

    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="impurity_analyses")
    laboratory = models.ForeignKey(Party, on_delete=models.PROTECT, related_name="+")
    certificate = models.CharField(max_length=80, blank=True)
    contents_ppt = models.JSONField(help_text="Parts per thousand by element, as text.")
    reported_at = models.DateTimeField(db_index=True)
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )
    note = models.CharField(max_length=500, blank=True)

    class Meta:
        ordering = ["-reported_at", "-id"]
        verbose_name_plural = "impurity analyses"

    def __str__(self) -> str:
        return f"impurity analysis {self.pk} of {self.lot}"


class DeliveryNote(Sealed):
    """Lots that left together: shipped to a party, or returned to a customer."""

    class Kind(models.TextChoices):
        SHIPMENT = "shipment", "Shipment"
        RETURN = "return", "Return"

    code = models.CharField(max_length=20, unique=True)
    kind = models.CharField(max_length=8, choices=Kind.choices)
    party = models.ForeignKey(Party, on_delete=models.PROTECT, related_name="delivery_notes")
    carrier = models.CharField(max_length=200, blank=True)
    delivered_at = models.DateTimeField(db_index=True)
    recorded_at = models.DateTimeField()
    delivered_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )
    note = models.CharField(max_length=500, blank=True)

    class Meta:
        ordering = ["-delivered_at", "-id"]

    def __str__(self) -> str:
        return self.code


class DeliveryLine(Sealed):
    """One lot of a delivery note and the movement that took it off the books."""

    note = models.ForeignKey(DeliveryNote, on_delete=models.PROTECT, related_name="lines")
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="delivery_lines")
    movement = models.OneToOneField(
        Movement, on_delete=models.PROTECT, related_name="delivery_line"
    )
    weighing = models.ForeignKey(
        Weighing, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    bar_record = models.ForeignKey(
        BarRecord, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )

    class Meta:
        ordering = ["note_id", "id"]

    def __str__(self) -> str:
        return f"{self.lot} on {self.note}"
