"""A form begun and not yet recorded: what was typed, for its writer alone."""

from __future__ import annotations

import datetime as dt

from django.conf import settings
from django.db import models


class KeptForm(models.Model):
    """What stands in one form of one person, by its address. It is no part of the books.

    `values` are the form's pairs of name and text as a browser sends them, its own key among them,
    so that finishing it on two devices is recorded once.
    """

    user = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="kept_forms"
    )
    address = models.CharField(max_length=300)
    title = models.CharField(max_length=120)
    values = models.JSONField(default=list)
    kept_at = models.DateTimeField()
    expires_at = models.DateTimeField()

    class Meta:
        ordering = ["-kept_at", "-id"]
        constraints = [
            models.UniqueConstraint(fields=["user", "address"], name="kept_form_one_an_address"),
        ]

    def __str__(self) -> str:
        return self.title

    def is_expired(self, now: dt.datetime) -> bool:
        return self.expires_at <= now
