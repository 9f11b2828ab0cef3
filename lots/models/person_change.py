"""What became of a person of the works: who changed what and when; and links to sign in by once."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from lots.models.reference import Party, Person
from lots.models.sealed import Sealed


class PersonChange(Sealed):
    """One act on a person, and how they stood from then on. Rows are only ever added.

    `by` is null when a command on the machine did it.
    """

    class What(models.TextChoices):
        FOUND = "found", "As found when this record began"
        ADDED = "added", "Added"
        ROLE = "role", "Given this role"
        DETAILS = "details", "Name or e-mail changed"
        OFF = "off", "Switched off"
        ON = "on", "Switched on"
        LINK = "link", "Given a one-time link"
        LINK_USED = "link_used", "Signed in by the one-time link"
        PASSWORD = "password", "Given a one-time password"
        CHOSEN = "chosen", "Chose a password"

    person = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="changes")
    what = models.CharField(max_length=10, choices=What.choices)
    role = models.CharField(max_length=12, choices=Person.Role.choices)
    party = models.ForeignKey(
        Party, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    is_active = models.BooleanField()
    name = models.CharField(max_length=301, blank=True)
    at = models.DateTimeField()
    by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    note = models.CharField(max_length=500, blank=True)

    class Meta:
        ordering = ["-id"]

    def __str__(self) -> str:
        return f"{self.person}: {self.get_what_display()}"


class SignInLink(models.Model):
    """A way in that is used once, by the SHA-256 of its key. `ended_at`: no longer wanted."""

    person = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="links")
    key_sha256 = models.CharField(max_length=64, unique=True)
    made_at = models.DateTimeField()
    expires_at = models.DateTimeField()
    used_at = models.DateTimeField(null=True, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(expires_at__gt=F("made_at")), name="sign_in_link_expires_later"
            ),
        ]

    def __str__(self) -> str:
        return f"one-time link of {self.person}, {self.made_at:%Y-%m-%d %H:%M}"
