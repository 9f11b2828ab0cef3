"""Keys that programs use instead of a password, and every attempt to sign in."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q


class ApiToken(models.Model):
    """A program's key: what it may do, until when. Only the key's SHA-256 is kept."""

    class Scope(models.TextChoices):
        READ = "read", "Read lists and records"
        REPORT = "report", "Read reports, answers and plans"
        RECORD = "record", "Record what happens"
        ADMINISTER = "administer", "Record what only the office may"

    user = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="api_tokens"
    )
    name = models.CharField(max_length=80, help_text="Which program it is for.")
    token_sha256 = models.CharField(max_length=64, unique=True)
    password_sha256 = models.CharField(
        max_length=64,
        blank=True,
        default="",
        db_default="",
        help_text="Of the stored password it was made under: with another it opens nothing.",
    )
    shown_start = models.CharField(max_length=12, help_text="The key's first signs, to know it by.")
    scopes = models.JSONField(default=list)
    created_at = models.DateTimeField()
    created_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )
    expires_at = models.DateTimeField()
    last_used_at = models.DateTimeField(null=True, blank=True)
    revoked_at = models.DateTimeField(null=True, blank=True)
    revoked_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )

    class Meta:
        ordering = ["-created_at", "-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(expires_at__gt=F("created_at")), name="api_token_expires_later"
            ),
            models.CheckConstraint(
                condition=Q(revoked_at=None, revoked_by=None)
                | Q(revoked_at__isnull=False, revoked_by__isnull=False),
                name="api_token_revoked_by_someone",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.name} ({self.shown_start}…)"


class SignInAttempt(models.Model):
    """One try to sign in, to get a token or to guess a link; forgotten after 60 days.

    What was typed as a name is kept as a digest alone: people type passwords there too.
    """

    class Door(models.TextChoices):
        PAGE = "page", "Sign-in page"
        TOKEN = "token", "Token for a program"
        LINK = "link", "Shared link"
        ONCE = "once", "One-time link"
        OWN = "own", "Own password"

    at = models.DateTimeField()
    door = models.CharField(max_length=5, choices=Door.choices)
    name_digest = models.CharField(max_length=64, blank=True)
    user = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    address = models.GenericIPAddressField(
        null=True, blank=True, help_text="Null when the asker's own can't be told."
    )
    succeeded = models.BooleanField()

    class Meta:
        ordering = ["-at", "-id"]
        indexes = [
            models.Index(fields=["name_digest", "at"], name="attempt_name_at"),
            models.Index(fields=["address", "at"], name="attempt_address_at"),
        ]

    def __str__(self) -> str:
        return f"{self.get_door_display()} {'opened' if self.succeeded else 'refused'} {self.at}"
