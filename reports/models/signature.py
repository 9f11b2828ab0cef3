"""A closed month's statement as it was signed: the text, and the signature over it."""

from __future__ import annotations

from django.conf import settings
from django.db import models

from lots.models.sealed import Sealed
from reports.models.months import MonthEnd


class StatementSignature(Sealed):
    """Rows are only ever added: a month opened and closed again is signed again."""

    month_end = models.ForeignKey(MonthEnd, on_delete=models.PROTECT, related_name="signatures")
    content = models.TextField(help_text="Canonical JSON: exactly what is signed.")
    statement_digest = models.CharField(max_length=64)
    public_key = models.CharField(max_length=64)
    signature = models.CharField(max_length=128)
    signed_at = models.DateTimeField()
    signed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )

    class Meta:
        ordering = ["-id"]

    def __str__(self) -> str:
        return f"signature {self.pk} of {self.month_end}"
