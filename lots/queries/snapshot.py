"""One unmoving view of the database for a long read, without holding anyone up."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from config.replica import reading_connection


@contextmanager
def snapshot() -> Iterator[None]:
    """Everything read inside is as of one moment; writers go on meanwhile.

    Inside a transaction already begun this changes nothing. SQLite is asked for a deferred
    transaction, because `transaction.atomic` would take the writer's lock.
    """
    connection = reading_connection()
    if connection.in_atomic_block:
        yield
        return
    begin = "BEGIN DEFERRED"
    if connection.vendor == "postgresql":
        begin = "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY"
    with connection.cursor() as cursor:
        cursor.execute(begin)
    try:
        yield
    finally:
        with connection.cursor() as cursor:
            cursor.execute("ROLLBACK")
