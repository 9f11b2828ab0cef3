"""Rows straight into tables, as fast as the database takes them: for benchmarks only."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any

from django.core.management.color import no_style
from django.db import connection, models

ROWS_AT_ONCE = 20_000


class Table:
    """One model's table being filled; rows wait until there are enough of them to write."""

    def __init__(self, model: type[models.Model]) -> None:
        self.model = model
        fields = model._meta.local_concrete_fields
        self.columns = [str(field.column) for field in fields]
        self.defaults = {field.attname: field.get_default() for field in fields}
        self.names = [field.attname for field in fields]
        self.waiting: list[list[Any]] = []
        self.last_id = model._default_manager.aggregate(last=models.Max("pk"))["last"] or 0
        self.count = 0

    def add(self, **values: Any) -> int:
        """Adds a row with the next primary key (or the one given) and returns that key."""
        key = self.names[0]
        pk: int = values.setdefault(key, self.last_id + 1)
        self.last_id = pk
        row = self.defaults | values
        assert len(row) == len(self.names), set(row) - set(self.names)
        self.waiting.append([row[name] for name in self.names])
        self.count += 1
        if len(self.waiting) >= ROWS_AT_ONCE:
            self.write()
        return pk

    def write(self) -> None:
        insert(self.model._meta.db_table, self.columns, self.waiting)
        self.waiting = []


def insert(table: str, columns: Sequence[str], rows: Sequence[Sequence[Any]]) -> None:
    """Rows by COPY on PostgreSQL and by executemany on SQLite."""
    names = ", ".join(f'"{column}"' for column in columns)
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            with cursor.copy(f'COPY "{table}" ({names}) FROM STDIN') as copy:
                for row in rows:
                    copy.write_row(row)
            return
        places = ", ".join("?" for _ in columns)
        # The driver's own cursor: Django's would turn every statement's placeholders over again.
        connection.connection.executemany(
            f'INSERT INTO "{table}" ({names}) VALUES ({places})',
            [[for_sqlite(value) for value in row] for row in rows],
        )


def finish(tables: Sequence[Table]) -> None:
    """Writes what waits, and lets the database count on from the keys given here."""
    for table in tables:
        table.write()
    with connection.cursor() as cursor:
        for statement in connection.ops.sequence_reset_sql(
            no_style(), [table.model for table in tables]
        ):
            cursor.execute(statement)


def for_sqlite(value: Any) -> Any:
    if isinstance(value, dt.datetime):
        return str(value.astimezone(dt.UTC).replace(tzinfo=None))
    return value
