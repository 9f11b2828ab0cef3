"""Money that was paid to a customer or received from one. Rows are only ever added."""

from __future__ import annotations

from decimal import Decimal

from django.conf import settings
from django.db import models
from django.db.models import Q

from lots.models import Party
from lots.models.sealed import Sealed
from reports.models.settlement import Settlement


class Payment(Sealed):
    """One payment, against a settlement or on account; a wrong one is taken back by another row.

    A reversal has the other direction and the same amount, so that the two sum to nought.
    """

    class Direction(models.TextChoices):
        PAID = "paid", "Paid to the customer"
        RECEIVED = "received", "Received from the customer"

    code = models.CharField(max_length=20, unique=True)
    customer = models.ForeignKey(Party, on_delete=models.PROTECT, related_name="payments")
    settlement = models.ForeignKey(
        Settlement, on_delete=models.PROTECT, null=True, blank=True, related_name="payments"
    )
    direction = models.CharField(max_length=8, choices=Direction.choices)
    amount = models.DecimalField(max_digits=20, decimal_places=6)
    currency = models.CharField(max_length=3)
    reference = models.CharField(max_length=120, blank=True)
    reverses = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="reversed_by"
    )
    paid_at = models.DateTimeField(db_index=True)
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )
    recorded_at = models.DateTimeField()
    note = models.CharField(max_length=500, blank=True)

    class Meta:
        ordering = ["-paid_at", "-id"]
        constraints = [
            models.CheckConstraint(condition=Q(amount__gt=0), name="payment_positive"),
        ]
        indexes = [models.Index(fields=["customer", "paid_at"], name="payment_customer_time")]

    def __str__(self) -> str:
        return self.code

    @property
    def change(self) -> Decimal:
        """What it changes of the money due to the customer: what was paid out is no longer due."""
        return self.amount if self.direction == self.Direction.RECEIVED else -self.amount

    @property
    def is_reversed(self) -> bool:
        return hasattr(self, "reversed_by")
