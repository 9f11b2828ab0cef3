"""Hand-written SQL for the few questions that every posting asks.

Building such a query through the ORM costs several times what the database takes to answer it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Sequence
from typing import Any

from config.replica import reading_connection


def fetch(statement: str, parameters: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
    """All rows of one statement; moments among the parameters are given as the database wants."""
    connection = reading_connection()
    adapted = [
        connection.ops.adapt_datetimefield_value(value) if isinstance(value, dt.datetime) else value
        for value in parameters
    ]
    with connection.cursor() as cursor:
        cursor.execute(statement, adapted)
        rows: list[tuple[Any, ...]] = cursor.fetchall()
        return rows


def placeholders(values: Collection[object]) -> str:
    """`(%s, %s, ...)` for an IN; there is at least one value."""
    assert values
    return "(" + ", ".join(["%s"] * len(values)) + ")"


def moment_of(value: object) -> dt.datetime:
    """A moment as the driver gives it: SQLite's is text in UTC."""
    moment = dt.datetime.fromisoformat(value) if isinstance(value, str) else value
    assert isinstance(moment, dt.datetime)
    return moment if moment.tzinfo else moment.replace(tzinfo=dt.UTC)
