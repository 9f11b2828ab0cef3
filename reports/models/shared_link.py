"""Links that show one thing without a sign-in, and who read what of customers' data."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from lots.models import Lot, Party
from lots.models.sealed import Sealed
from reports.models.settlement import Settlement


class SharedLink(models.Model):
    """A link to one settlement or one lot's answer, until it expires or is revoked.

    The token itself is never kept: only its SHA-256, so that nobody reads it from the database.
    """

    token_sha256 = models.CharField(max_length=64, unique=True)
    customer = models.ForeignKey(Party, on_delete=models.PROTECT, related_name="shared_links")
    settlement = models.ForeignKey(
        Settlement, on_delete=models.PROTECT, null=True, blank=True, related_name="shared_links"
    )
    lot = models.ForeignKey(
        Lot, on_delete=models.PROTECT, null=True, blank=True, related_name="shared_links"
    )
    note = models.CharField(max_length=500, blank=True)
    created_at = models.DateTimeField(db_index=True)
    created_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )
    expires_at = models.DateTimeField(db_index=True)
    revoked_at = models.DateTimeField(null=True, blank=True)
    revoked_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    reads = models.PositiveIntegerField(default=0)
    last_read_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-created_at", "-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(settlement__isnull=True) ^ Q(lot__isnull=True),
                name="shared_link_to_one_thing",
            ),
            models.CheckConstraint(
                condition=Q(expires_at__gt=F("created_at")), name="shared_link_expires_later"
            ),
            models.CheckConstraint(
                condition=Q(revoked_at=None, revoked_by=None)
                | Q(revoked_at__isnull=False, revoked_by__isnull=False),
                name="shared_link_revoked_by_someone",
            ),
        ]

    def __str__(self) -> str:
        return f"link {self.pk} to {self.settlement or self.lot}"


class AccessRecord(Sealed):
    """That a customer's data was read: by whom or by which link, what, when. Only ever added.

    It is noted without the ledger's lock, so that readers never wait.
    """

    is_sealed_late = True

    class What(models.TextChoices):
        SETTLEMENT = "settlement", "Settlement"
        LOT_ANSWER = "lot_answer", "Lot answer"
        ACCOUNT = "account", "Account"
        LOTS = "lots", "List of lots"
        EVENTS = "events", "Events"
        DELIVERY = "delivery", "Delivery note"
        DELIVERIES = "deliveries", "List of delivery notes"

    read_at = models.DateTimeField(db_index=True)
    user = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    link = models.ForeignKey(
        SharedLink, on_delete=models.PROTECT, null=True, blank=True, related_name="access_records"
    )
    customer = models.ForeignKey(Party, on_delete=models.PROTECT, related_name="access_records")
    what = models.CharField(max_length=10, choices=What.choices)
    reference = models.CharField(max_length=24, help_text="The code of what was read.")
    form = models.CharField(max_length=8, help_text="page, json, csv, xlsx or pdf.")

    class Meta:
        ordering = ["-read_at", "-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(user__isnull=True) ^ Q(link__isnull=True),
                name="access_record_by_one_reader",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.reference} read by {self.user or self.link}"
