"""A month's end: who prepared, approved and closed it, and every time it was opened again."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from lots.models import BooksMonth
from reports.models.approval import Approval, two_people


class MonthEnd(Approval):
    """The close of one month: prepared by one person, approved by another, then locked."""

    class State(models.TextChoices):
        OPEN = "open", "Open"
        COUNTING = "counting", "Counting"
        PREPARED = "prepared", "Prepared"
        APPROVED = "approved", "Approved"
        CLOSED = "closed", "Closed"

    books_month = models.OneToOneField(
        BooksMonth, on_delete=models.PROTECT, related_name="month_end"
    )
    state = models.CharField(max_length=8, choices=State.choices, default=State.OPEN, db_index=True)
    prepared_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    prepared_at = models.DateTimeField(null=True, blank=True)
    approved_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    approved_at = models.DateTimeField(null=True, blank=True)
    closed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    closed_at = models.DateTimeField(null=True, blank=True)
    waiver = models.CharField(
        max_length=300, blank=True, help_text="Why the month was closed with sheets uncounted."
    )
    statement_digest = models.CharField(max_length=64, blank=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["-books_month__first_day"]
        constraints = [
            two_people("month_end_approval", "prepared_by", "approved_by"),
            models.CheckConstraint(
                condition=~Q(state="closed") | ~Q(statement_digest=""),
                name="month_end_closed_signed",
            ),
        ]

    def __str__(self) -> str:
        return f"Month end {self.books_month}"


class MonthReopening(Approval):
    """That a closed month was opened again, by whom and why, and the digest it had until then."""

    month_end = models.ForeignKey(MonthEnd, on_delete=models.PROTECT, related_name="reopenings")
    reason = models.CharField(max_length=300)
    reopened_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )
    reopened_at = models.DateTimeField()
    closed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )
    closed_at = models.DateTimeField()
    approved_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )
    statement_digest = models.CharField(max_length=64)

    class Meta:
        ordering = ["-reopened_at", "-id"]

    def __str__(self) -> str:
        return f"{self.month_end} reopened: {self.reason}"
