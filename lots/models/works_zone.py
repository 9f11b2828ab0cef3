"""Which time zone the works keeps its days and months by."""

from __future__ import annotations

from django.db import models

from lots.models.sealed import Sealed


class WorksZone(Sealed):
    """One row, written once: before it is there, `WORKS_TIME_ZONE` proposes the zone."""

    name = models.CharField(max_length=64, help_text="As in the IANA time zone database.")
    fixed_at = models.DateTimeField()

    def __str__(self) -> str:
        return self.name
