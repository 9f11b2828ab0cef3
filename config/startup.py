"""What a server checks as it starts; commands do it by themselves."""

from __future__ import annotations

from typing import Final

from django.apps import apps
from django.core.checks import run_checks
from django.core.exceptions import ImproperlyConfigured
from django.db import connections
from django.utils.module_loading import import_string

# Checks registered under it ask whether what the process was told goes with the database.
TAG: Final = "startup"


def stop_if_told_wrong() -> None:
    """Raises ImproperlyConfigured with what to do when a check of the tag fails.

    Then does what the apps name as `at_start`.
    """
    faults = [str(found.msg) for found in run_checks(tags=[TAG]) if found.is_serious()]
    # Whoever serves opens connections of its own.
    connections.close_all()
    if faults:
        raise ImproperlyConfigured(" ".join(faults))
    for app in apps.get_app_configs():
        for name in getattr(app, "at_start", ()):
            import_string(name)()
    connections.close_all()
