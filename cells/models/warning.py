"""A warning of a run: raised by a rule, acknowledged by someone, cleared when it has passed."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from cells.models.run import CellRun


class CellWarning(models.Model):
    """One rule's finding on one run, with its basis."""

    class State(models.TextChoices):
        OPEN = "open", "Open"
        ACKNOWLEDGED = "acknowledged", "Acknowledged"
        CLEARED = "cleared", "Cleared"

    class Severity(models.TextChoices):
        NOTICE = "notice", "Notice"
        WARNING = "warning", "Warning"
        URGENT = "urgent", "Urgent"

    run = models.ForeignKey(CellRun, on_delete=models.PROTECT, related_name="warnings")
    rule = models.CharField(max_length=40, db_index=True)
    subject = models.CharField(max_length=80, blank=True)
    state = models.CharField(
        max_length=12, choices=State.choices, default=State.OPEN, db_index=True
    )
    severity = models.CharField(max_length=10, choices=Severity.choices)
    message = models.CharField(max_length=400)
    basis = models.CharField(max_length=80)
    value = models.FloatField()
    limit = models.FloatField()
    unit = models.CharField(max_length=20)
    raised_at = models.DateTimeField(db_index=True)
    acknowledged_at = models.DateTimeField(null=True, blank=True)
    acknowledged_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    acknowledgement = models.CharField(max_length=200, blank=True)
    cleared_at = models.DateTimeField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["state", "-raised_at", "-id"]
        constraints = [
            models.UniqueConstraint(
                fields=["run", "rule", "subject"],
                condition=~Q(state="cleared"),
                name="cell_warning_one_standing_a_rule",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.rule} on {self.run}"
