"""Every table that is kept, as the canonical text of its rows, with the digest of that text."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

from django.apps import apps
from django.db import models

from lots.ledger.row_text import Column, Kind, line, writer_of

ROWS_AT_ONCE: Final = 2000

# Signed-in browsers and API keys are never part of an export: whoever takes over signs in again.
LEFT_OUT: Final = frozenset(
    {"django_session", "lots_apitoken", "lots_signinattempt", "lots_signinlink"}
)
# What is written in a secret's place; the first opens no door, as no password gives such a hash.
SECRETS: Final[dict[str, dict[str, str]]] = {"auth_user": {"password": "!"}}
# What migrate itself fills: the chart of accounts, the ledger's head, names of tables and rights.
LAID_BY_MIGRATIONS: Final = frozenset(
    {"auth_permission", "django_content_type", "lots_account", "lots_ledgerhead"}
)

_KINDS: Final[dict[str, Kind]] = {
    "AutoField": Kind.INTEGER,
    "BigAutoField": Kind.INTEGER,
    "SmallAutoField": Kind.INTEGER,
    "IntegerField": Kind.INTEGER,
    "BigIntegerField": Kind.INTEGER,
    "SmallIntegerField": Kind.INTEGER,
    "PositiveIntegerField": Kind.INTEGER,
    "PositiveBigIntegerField": Kind.INTEGER,
    "PositiveSmallIntegerField": Kind.INTEGER,
    "CharField": Kind.TEXT,
    "SlugField": Kind.TEXT,
    "TextField": Kind.TEXT,
    "FileField": Kind.TEXT,
    "GenericIPAddressField": Kind.TEXT,
    "UUIDField": Kind.TEXT,
    "DecimalField": Kind.DECIMAL,
    "FloatField": Kind.NUMBER,
    "BooleanField": Kind.BOOLEAN,
    "DateField": Kind.DATE,
    "DateTimeField": Kind.MOMENT,
    "JSONField": Kind.JSON,
}


@dataclass(frozen=True)
class Table:
    """A table, its model and its columns in the order in which they are written."""

    name: str
    model: type[models.Model]
    columns: tuple[Column, ...]
    attributes: tuple[str, ...]
    replaced: dict[str, str]

    def rows(self) -> Iterator[tuple[Any, ...]]:
        """Every row in the order of its key, read a few thousand at a time."""
        found = self.model._base_manager.order_by("pk").values_list(*self.attributes)
        yield from found.iterator(ROWS_AT_ONCE)

    def lines(self) -> Iterator[str]:
        """The header and every row as lines of CSV."""
        yield line(column.name for column in self.columns)
        writers = [
            _constant(self.replaced[column.name])
            if column.name in self.replaced
            else writer_of(column)
            for column in self.columns
        ]
        for row in self.rows():
            yield line([write(value) for write, value in zip(writers, row, strict=True)])


@dataclass(frozen=True)
class Content:
    """How many rows a table has, and the SHA-256 of its canonical text."""

    rows: int
    sha256: str


def kept_tables(*, with_secrets: bool = True) -> list[Table]:
    """Every table of every app, by name. Without secrets some are left out and some blanked."""
    found = []
    for model in apps.get_models(include_auto_created=True):
        options = model._meta
        if options.proxy or not options.managed:
            continue
        table = options.db_table
        if not with_secrets and table in LEFT_OUT | _named("secret_tables"):
            continue
        fields = options.local_concrete_fields
        found.append(
            Table(
                name=table,
                model=model,
                columns=tuple(column_of(field) for field in fields),
                attributes=tuple(field.attname for field in fields),
                replaced={} if with_secrets else _replaced(table),
            )
        )
    return sorted(found, key=lambda table: table.name)


def column_of(field: models.Field[Any, Any]) -> Column:
    """What a field's texts may be. A text that may be absent is written as JSON."""
    target: models.Field[Any, Any] = field
    while isinstance(target, models.ForeignKey):
        target = target.target_field
    kind = _KINDS[target.get_internal_type()]
    is_decimal = isinstance(target, models.DecimalField)
    return Column(
        name=str(field.column),
        kind=Kind.JSON if kind is Kind.TEXT and field.null else kind,
        is_nullable=field.null,
        is_key=field.primary_key,
        decimals=getattr(target, "decimal_places", 0) if is_decimal else 0,
        digits=getattr(target, "max_digits", 0) if is_decimal else 0,
        length_max=target.max_length if kind is Kind.TEXT else None,
        references=field.related_model._meta.db_table
        if isinstance(field, models.ForeignKey)
        else "",
    )


def content_of(table: Table) -> Content:
    """Reads the table once, whatever its length, holding a few thousand rows."""
    digest = hashlib.sha256()
    count = -1
    for text in table.lines():
        digest.update(text.encode())
        count += 1
    return Content(count, digest.hexdigest())


def rows_in_use() -> list[str]:
    """The tables with rows that somebody entered; none in a database that is only migrated."""
    return [
        table.name
        for table in kept_tables()
        if table.name not in LAID_BY_MIGRATIONS and table.model._base_manager.exists()
    ]


def _replaced(table: str) -> dict[str, str]:
    found = dict(SECRETS.get(table, {}))
    for config in apps.get_app_configs():
        found |= getattr(config, "secret_columns", {}).get(table, {})
    return found


def _named(attribute: str) -> set[str]:
    """The tables that the apps name under this attribute of their AppConfig."""
    return {table for config in apps.get_app_configs() for table in getattr(config, attribute, ())}


def _constant(text: str) -> Any:
    return lambda _: text
