"""Seals: what the rows beside the ledger's lines said when they were recorded, chained by digest.

The chain over movements covers a movement and its lines. A seal covers the other facts one request
wrote: measurements, rulings, counts, month ends, settlements. A row that changes lawfully (a count
sheet that is filled in) is sealed again, and its latest seal counts.
"""

from __future__ import annotations

from django.db import models


class SealLayout(models.Model):
    """Which columns of a table are sealed, in which order. A new column makes a new layout."""

    table_name = models.CharField(max_length=63, db_index=True)
    columns = models.JSONField()

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return f"{self.table_name}, layout {self.pk}"


class Seal(models.Model):
    """One link: its digest covers the link before, the ledger's digest then, and every row named.

    `reason` is there when a person accepted rows that no request had recorded.
    """

    number = models.BigIntegerField(primary_key=True)
    sealed_at = models.DateTimeField()
    ledger_digest = models.CharField(max_length=64)
    reason = models.CharField(max_length=300, blank=True)
    digest = models.CharField(max_length=64)

    class Meta:
        ordering = ["number"]

    def __str__(self) -> str:
        return f"seal {self.number}"


class SealedRow(models.Model):
    """The SHA-256 of one row as it was when its seal was made."""

    seal = models.ForeignKey(Seal, on_delete=models.PROTECT, related_name="rows")
    layout = models.ForeignKey(
        SealLayout, on_delete=models.PROTECT, related_name="+", db_index=False
    )
    row_id = models.BigIntegerField()
    digest = models.CharField(max_length=64)

    class Meta:
        ordering = ["id"]
        indexes = [models.Index(fields=["layout", "row_id", "id"], name="sealed_row_latest")]

    def __str__(self) -> str:
        return f"row {self.row_id} of {self.layout}"
