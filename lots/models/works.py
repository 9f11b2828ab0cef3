"""What the works says of itself: a row for each change of it; the last one counts."""

from __future__ import annotations

from typing import Final

from django.conf import settings
from django.db import models

from lots.models.sealed import Sealed
from lots.units import UNIT_NAMES


class WorksSettings(Sealed):
    """All settings as they stood from `recorded_at` on, and why they were changed.

    Rows are only ever added. `recorded_by` is null when a command on the machine said it. The name
    is that of the party of kind house, too.
    """

    class DecimalSign(models.TextChoices):
        POINT = ".", "Point, as in 12.5"
        COMMA = ",", "Comma, as in 12,5"

    MASS_UNITS: Final = [(unit, UNIT_NAMES[unit]) for unit in ("g", "kg", "ozt", "dwt", "gr")]

    one_person = models.BooleanField(
        default=False,
        db_default=False,
        help_text="The works is run by one person, who may approve what they prepared.",
    )
    name = models.CharField(max_length=120, blank=True, default="", db_default="")
    address = models.CharField(max_length=300, blank=True, default="", db_default="")
    currency = models.CharField(max_length=3, blank=True, default="", db_default="")
    decimal_sign = models.CharField(
        max_length=1,
        choices=DecimalSign.choices,
        default=DecimalSign.POINT,
        db_default=DecimalSign.POINT,
    )
    mass_unit = models.CharField(
        max_length=4,
        choices=MASS_UNITS,
        default="g",
        db_default="g",
        help_text="What people type masses in.",
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
