"""Reading from a second database that follows the first, for as long as a block asks for it.

Only what asks for it by `reading_replica` reads there; everything is written to the first. Without
a `reports` database in the settings nothing changes.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any, Final

from django.db import DEFAULT_DB_ALIAS, connections
from django.db.backends.base.base import BaseDatabaseWrapper

REPLICA: Final = "reports"
_reading_from: ContextVar[str] = ContextVar("reading_from", default=DEFAULT_DB_ALIAS)


class ReadsWhereAsked:
    """The database router: reads go where the block around them says, writes to the first."""

    def db_for_read(self, model: Any, **hints: Any) -> str:
        return _reading_from.get()

    def db_for_write(self, model: Any, **hints: Any) -> str:
        return DEFAULT_DB_ALIAS

    def allow_relation(self, one: Any, other: Any, **hints: Any) -> bool:
        return True  # both databases hold the same rows

    def allow_migrate(self, db: str, app_label: str, **hints: Any) -> bool:
        return db == DEFAULT_DB_ALIAS


def has_replica() -> bool:
    return REPLICA in connections.databases


def reading_connection() -> BaseDatabaseWrapper:
    """The connection that hand-written SQL reads from."""
    return connections[_reading_from.get()]


@contextmanager
def reading_replica() -> Iterator[None]:
    """Whatever is read inside is read from the replica."""
    token = _reading_from.set(REPLICA)
    try:
        yield
    finally:
        _reading_from.reset(token)
