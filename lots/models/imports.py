"""Sheets taken in: what was recorded from each, row by row, and what is still being prepared."""

from __future__ import annotations

import uuid
from typing import Any

from django.conf import settings
from django.db import models

from lots.models.ledger import Movement
from lots.models.lot import Lot
from lots.models.sealed import Sealed


class SheetImport(Sealed):
    """A sheet that was recorded whole: who, when, what it was, and what came of each row."""

    class Origin(models.TextChoices):
        FILE = "file", "File"
        PASTE = "paste", "Pasted cells"
        REQUEST = "request", "Rows of a request"

    code = models.CharField(max_length=20, unique=True)
    subject = models.CharField(max_length=20, db_index=True)
    origin = models.CharField(max_length=8, choices=Origin.choices)
    file_name = models.CharField(max_length=120, blank=True)
    sha256 = models.CharField(max_length=64, db_index=True)
    layout = models.JSONField()
    row_count = models.PositiveIntegerField()
    recorded_at = models.DateTimeField(db_index=True)
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )
    note = models.CharField(max_length=500, blank=True)

    class Meta:
        ordering = ["-recorded_at", "-id"]

    def __str__(self) -> str:
        return self.code


class ImportedRow(Sealed):
    """One row of an import and what was recorded of it: a movement, a measurement, a count."""

    sheet_import = models.ForeignKey(SheetImport, on_delete=models.PROTECT, related_name="rows")
    number = models.PositiveIntegerField(help_text="As the spreadsheet counts.")
    movement = models.OneToOneField(
        Movement, on_delete=models.PROTECT, null=True, blank=True, related_name="imported_row"
    )
    lot = models.ForeignKey(
        Lot, on_delete=models.PROTECT, null=True, blank=True, related_name="imported_rows"
    )
    recorded_model = models.CharField(max_length=60)
    recorded_pk = models.BigIntegerField()
    shown_as = models.CharField(max_length=120)

    class Meta:
        ordering = ["sheet_import_id", "number", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["sheet_import", "number"], name="imported_row_one_a_number"
            ),
        ]
        indexes = [
            models.Index(fields=["recorded_model", "recorded_pk"], name="imported_row_recorded"),
        ]

    def __str__(self) -> str:
        return f"{self.sheet_import}, row {self.number}"


class ImportDraft(models.Model):
    """A sheet on its way in: its cells, how they are read, and how far they are checked.

    It belongs to who sent it, expires, and is no part of the books.
    """

    class State(models.TextChoices):
        LAYOUT = "layout", "Columns to be chosen"
        CHECKING = "checking", "Being checked"
        CHECKED = "checked", "Checked"
        RECORDING = "recording", "Being recorded"
        RECORDED = "recorded", "Recorded"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    owner = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    subject = models.CharField(max_length=20)
    origin = models.CharField(max_length=8, choices=SheetImport.Origin.choices)
    file_name = models.CharField(max_length=120, blank=True)
    sha256 = models.CharField(max_length=64)
    cells = models.TextField()
    layout = models.JSONField(default=dict)
    state = models.CharField(max_length=9, choices=State.choices, default=State.LAYOUT)
    # Counts changes of layout and state, so that a late answer to an earlier one changes nothing.
    version = models.PositiveIntegerField(default=1)
    row_count = models.PositiveIntegerField(default=0)
    rows_checked = models.PositiveIntegerField(default=0)
    findings: models.JSONField[Any, Any] = models.JSONField(default=dict)
    started_at = models.DateTimeField(null=True, blank=True)
    failure = models.JSONField(null=True, blank=True)
    sheet_import = models.ForeignKey(
        SheetImport, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    created_at = models.DateTimeField()
    expires_at = models.DateTimeField(db_index=True)

    class Meta:
        ordering = ["-created_at"]

    def __str__(self) -> str:
        return f"{self.file_name or 'Pasted cells'} ({self.get_state_display()})"
