"""Which tables are sealed, by which columns, and their rows as the texts that seals cover."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from typing import Any, Final

from django.apps import apps
from django.db import connection

from lots.keeping.tables import column_of
from lots.ledger.raw_sql import fetch, moment_of
from lots.ledger.row_text import Column, Kind, writer_of
from lots.ledger.seal_digests import row_digest
from lots.models.sealed import Sealed

ROWS_AT_ONCE: Final = 2000


@dataclass(frozen=True)
class SealedTable:
    """A table whose rows are sealed. `is_late`: its rows wait for `seal_ledger`."""

    name: str
    key: str
    columns: tuple[Column, ...]
    is_late: bool

    @cached_property
    def names(self) -> list[str]:
        return [column.name for column in self.columns]

    @cached_property
    def _select(self) -> str:
        columns = ", ".join(f'"{name}"' for name in (self.key, *self.names))
        return f'SELECT {columns} FROM "{self.name}"'

    @cached_property
    def _texts(self) -> list[Any]:
        return [_text_of(column) for column in self.columns]

    def rows(
        self, where: str = "", parameters: Sequence[int] = (), *, is_long: bool = False
    ) -> Iterator[tuple[int, list[str]]]:
        """Key and sealed texts of every row that is meant, in the order of the key.

        `is_long`: they are read a few thousand at a time.
        """
        read = rows_of if is_long else fetch
        for key, *values in read(f'{self._select} {where} ORDER BY "{self.key}"', parameters):
            yield key, [text(value) for text, value in zip(self._texts, values, strict=True)]

    def digests(
        self, where: str = "", parameters: Sequence[int] = (), *, is_long: bool = False
    ) -> Iterator[tuple[int, str]]:
        """Key and digest of every row that is meant, in the order of the key."""
        for key, texts in self.rows(where, parameters, is_long=is_long):
            yield key, row_digest(self.name, texts)


def rows_of(statement: str, parameters: Sequence[Any] = ()) -> Iterator[tuple[Any, ...]]:
    """Rows a few thousand at a time, however many there are."""
    with connection.chunked_cursor() as cursor:
        cursor.execute(statement, parameters)
        while rows := cursor.fetchmany(ROWS_AT_ONCE):
            yield from rows


@cache
def sealed_tables() -> dict[str, SealedTable]:
    """Every sealed table by its name."""
    models = [model for model in apps.get_models() if issubclass(model, Sealed)]
    return {model._meta.db_table: _sealed(model) for model in models}


def _sealed(model: type[Sealed]) -> SealedTable:
    names = model.sealed_columns
    columns = [column_of(field) for field in model._meta.local_concrete_fields]
    (key,) = (column.name for column in columns if column.is_key)
    chosen = tuple(column for column in columns if not names or column.name in names)
    assert not names or len(chosen) == len(names)
    return SealedTable(model._meta.db_table, key, chosen, model.is_sealed_late)


def _text_of(column: Column) -> Any:
    """A writer for values as the driver gives them: SQLite has texts for moments and days."""
    write = writer_of(column)
    if column.kind is Kind.MOMENT:
        return lambda value: "" if value is None else write(moment_of(value))
    if column.kind is Kind.DATE:
        return lambda value: value.isoformat() if isinstance(value, dt.date) else (value or "")
    if column.kind is Kind.JSON:
        return lambda value: "" if value is None else write(json.loads(value))
    return write
