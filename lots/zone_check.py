"""No process starts that was told another time zone than the books are kept in."""

from __future__ import annotations

from typing import Any

from django.core.checks import CheckMessage
from django.core.checks import Error as Fault
from django.db import Error

from lots.queries.works_zone import contradiction


def check_zone(**given: Any) -> list[CheckMessage]:
    """For commands and servers alike: `WORKS_TIME_ZONE` against the database."""
    try:
        said = contradiction()
    except Error:  # no tables yet, or no database: the command itself says so
        return []
    return [Fault(said, id="lots.E001")] if said else []
