"""Who is told of events as they happen, and the events that could not be told at once."""

from __future__ import annotations

from django.conf import settings
from django.db import models

from lots.models.reference import Party


class EventSubscription(models.Model):
    """An address that is sent each event, in the order of the ledger.

    `after` is the last event dealt with; what is due is derived from the ledger, so posting writes
    nothing here. `party` limits it to that party's lots. The secret is never stored: it is derived
    from the site's own key and `salt`.
    """

    name = models.CharField(max_length=80)
    url = models.CharField(max_length=300)
    kinds = models.JSONField(default=list, blank=True)
    party = models.ForeignKey(
        Party, on_delete=models.PROTECT, null=True, blank=True, related_name="subscriptions"
    )
    salt = models.CharField(max_length=32)
    is_active = models.BooleanField(default=True)
    stopped_because = models.CharField(max_length=120, blank=True)
    after = models.BigIntegerField()
    delivered = models.BigIntegerField(default=0)
    last_delivered_at = models.DateTimeField(null=True, blank=True)
    given_up_in_a_row = models.PositiveIntegerField(default=0)
    leased_until = models.DateTimeField(null=True, blank=True)
    created_at = models.DateTimeField()
    created_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )

    class Meta:
        ordering = ["-id"]

    def __str__(self) -> str:
        return self.name


class EventDelivery(models.Model):
    """An event that its first sending did not bring home, until it is, or is given up."""

    class State(models.TextChoices):
        RETRYING = "retrying", "To be tried again"
        DELIVERED = "delivered", "Delivered late"
        GIVEN_UP = "given_up", "Given up"
        RESEND = "resend", "To be sent again"

    subscription = models.ForeignKey(
        EventSubscription, on_delete=models.PROTECT, related_name="deliveries"
    )
    sequence = models.BigIntegerField()
    state = models.CharField(max_length=10, choices=State.choices, db_index=True)
    tries = models.PositiveIntegerField()
    last_failure = models.CharField(max_length=40)
    first_tried_at = models.DateTimeField()
    last_tried_at = models.DateTimeField()
    next_try_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-id"]
        verbose_name_plural = "event deliveries"
        constraints = [
            models.UniqueConstraint(
                fields=["subscription", "sequence"], name="event_delivery_once_a_subscription"
            ),
        ]

    def __str__(self) -> str:
        return f"event {self.sequence} for {self.subscription}"
