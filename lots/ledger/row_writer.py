"""Writes the lines of a movement: plain inserts in the order given."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any

from django.db import connection, models


def insert_rows(
    model: type[models.Model], rows: Sequence[models.Model], *, with_key: bool = False
) -> None:
    """Inserts new rows of one model in one go; the rows don't learn their primary keys.

    `with_key`: they have one of their own.

    `bulk_create` does the same at several times the cost, which every posting would pay four times.
    """
    if not rows:
        return
    fields = model._meta.concrete_fields[0 if with_key else 1 :]
    assert model._meta.concrete_fields[0].primary_key
    columns = ", ".join(f'"{field.column}"' for field in fields)
    marks = ", ".join(["%s"] * len(fields))
    names = [field.attname for field in fields]
    with connection.cursor() as cursor:
        cursor.executemany(
            f'INSERT INTO "{model._meta.db_table}" ({columns}) VALUES ({marks})',
            [[_plain(getattr(row, name)) for name in names] for row in rows],
        )


def _plain(value: Any) -> Any:
    if isinstance(value, str):
        return str(value)
    if isinstance(value, dt.datetime):
        return connection.ops.adapt_datetimefield_value(value)
    return value
