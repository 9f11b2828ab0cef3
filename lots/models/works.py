"""What the works says of itself: a row for each change of it; the last one counts."""

from __future__ import annotations

from django.conf import settings
from django.db import models

from lots.models.sealed import Sealed


class WorksSettings(Sealed):
    """All settings as they stood from `recorded_at` on, and why they were changed.

    Rows are only ever added. `recorded_by` is null when a command on the machine said it.
    """

    one_person = models.BooleanField(
        default=False,
        db_default=False,
        help_text="The works is run by one person, who may approve what they prepared.",
    )
    reason = models.CharField(max_length=500)
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )

    class Meta:
        ordering = ["-id"]
        verbose_name_plural = "works settings"

    def __str__(self) -> str:
        return f"settings of {self.recorded_at:%Y-%m-%d %H:%M}"
