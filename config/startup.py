"""What a server checks as it starts; commands do it by themselves."""

from __future__ import annotations

from typing import Final

from django.core.checks import run_checks
from django.core.exceptions import ImproperlyConfigured
from django.db import connections

# Checks registered under it ask whether what the process was told goes with the database.
TAG: Final = "startup"


def stop_if_told_wrong() -> None:
    """Raises ImproperlyConfigured with what to do when a check of the tag fails."""
    faults = [str(found.msg) for found in run_checks(tags=[TAG]) if found.is_serious()]
    # Whoever serves opens connections of its own.
    connections.close_all()
    if faults:
        raise ImproperlyConfigured(" ".join(faults))
