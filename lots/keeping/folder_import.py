"""An export of everything read back into an empty database: identical, or nothing of it."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any, Final

from django.contrib.contenttypes.models import ContentType
from django.core.management.color import no_style
from django.db import connection, transaction

from config.refusals import RefusalError, refuse
from lots.keeping import manifest
from lots.keeping.attachments import bring_attachment
from lots.keeping.files import Stored, is_inside, stored
from lots.keeping.folder_export import FORMAT, VERSION, schema_bytes, table_names
from lots.keeping.tables import Table, content_of, kept_tables, rows_in_use
from lots.ledger import guards
from lots.ledger.row_text import reader_of

_ROWS_AT_ONCE: Final = 2000
_CELL_CHARACTERS_MAX: Final = 1 << 26


@dataclass(frozen=True)
class Imported:
    """What was read back, after every table was found to have the digest it was exported with."""

    tables: int
    rows: int
    files: int


@dataclass(frozen=True)
class _Export:
    folder: Path
    tables: list[Table]
    rows: dict[str, int]
    files: dict[str, Stored]
    ledger: dict[str, Any]

    def papers(self) -> list[str]:
        return [name for name in self.files if name.startswith("attachments/")]


def import_all(folder: Path) -> Imported:
    """Reads an export into this empty database, keys and all, and proves it identical.

    Every file's hash, every schema and every cell is checked before anything is written. Raises
    InvalidError `not_readable`, `damaged`, `bad_row`; ConflictError `newer_format`,
    `newer_schema`, `other_schema`, `database_in_use`, `paper_differs`, `not_identical`.
    """
    export = _checked(folder)
    in_use = rows_in_use()
    if in_use:
        raise refuse("database_in_use", field="database", in_use=len(in_use))
    brought: list[Path] = []
    try:
        with transaction.atomic():
            with guards.lifted(connection):
                _fill(export)
            _check_identical(export)
            for name in export.papers():
                bring_attachment(name.removeprefix("attachments/"), folder / name, brought)
    except BaseException:
        for path in brought:
            path.unlink(missing_ok=True)
        raise
    finally:
        ContentType.objects.clear_cache()
    return Imported(len(export.tables), sum(export.rows.values()), len(export.papers()))


def _checked(folder: Path) -> _Export:
    path = folder / manifest.NAME
    text = path.read_bytes() if path.is_file() else b""
    content = manifest.read(text, format_name=FORMAT, version=VERSION)
    manifest.check_not_newer(content["migrations"])
    if content["migrations"] != manifest.applied_migrations():
        raise refuse("other_schema", field="folder")
    export = _Export(
        folder=folder,
        tables=kept_tables(with_secrets=content["with_secrets"]),
        rows={each["name"]: each["rows"] for each in content["tables"]},
        files={name: Stored(**each) for name, each in content["files"].items()},
        ledger=content["ledger"],
    )
    _check_files(export)
    for table in export.tables:
        _check_table(export, table)
    return export


def _check_files(export: _Export) -> None:
    wanted = {name for table in export.tables for name in table_names(table.name)}
    for name in sorted(wanted | set(export.files)):
        path = export.folder / name
        if name not in export.files or not is_inside(name) or not path.is_file():
            raise _damaged(name, "is missing")
        if stored(path) != export.files[name]:
            raise _damaged(name, "is not as it was written")


def _damaged(name: str, what: str) -> RefusalError:
    return refuse("damaged:folder_import", field="folder", value=name, what=what)


def _check_table(export: _Export, table: Table) -> None:
    _, schema = table_names(table.name)
    if (export.folder / schema).read_bytes() != schema_bytes(table):
        raise refuse("other_schema:folder_import", field="folder", value=schema)
    count = sum(1 for _ in _rows(export, table))
    if count != export.rows.get(table.name):
        raise _damaged(table_names(table.name)[0], f"has {count} rows, not as many as it says")


def _rows(export: _Export, table: Table) -> Iterator[list[Any]]:
    name, _ = table_names(table.name)
    readers = [reader_of(column) for column in table.columns]
    header = [column.name for column in table.columns]
    csv.field_size_limit(_CELL_CHARACTERS_MAX)
    with (export.folder / name).open(encoding="utf-8", newline="") as file:
        lines = csv.reader(file, strict=True)
        row: list[str] = []
        column = 0
        try:
            if next(lines, None) != header:
                raise ValueError("the header is not the table's columns")
            for row in lines:
                if len(row) != len(header):
                    raise ValueError(f"{len(row)} fields where {len(header)} belong")
                values = []
                for column, read in enumerate(readers):
                    values.append(read(row[column]))
                yield values
        except (ValueError, csv.Error) as error:
            where = header[column] if row else "header"
            raise refuse(
                "bad_row", field=where, name=name, line_num=lines.line_num, where=where, error=error
            ) from error


def _fill(export: _Export) -> None:
    """Rows as they were, keys too; foreign keys are checked once all of them are there."""
    with connection.cursor() as cursor:
        for table in export.tables:
            cursor.execute(f'DELETE FROM "{table.name}"')
        for table in export.tables:
            fields = table.model._meta.local_concrete_fields
            names = ", ".join(f'"{field.column}"' for field in fields)
            marks = ", ".join(["%s"] * len(fields))
            statement = f'INSERT INTO "{table.name}" ({names}) VALUES ({marks})'
            rows = _rows(export, table)
            while taken := list(islice(rows, _ROWS_AT_ONCE)):
                cursor.executemany(
                    statement,
                    [
                        [
                            field.get_db_prep_save(value, connection)
                            for field, value in zip(fields, row, strict=True)
                        ]
                        for row in taken
                    ],
                )
        models = [table.model for table in export.tables]
        for statement in connection.ops.sequence_reset_sql(no_style(), models):
            cursor.execute(statement)
    connection.check_constraints()


def _check_identical(export: _Export) -> None:
    differing = [
        table.name
        for table in export.tables
        if content_of(table).sha256 != export.files[table_names(table.name)[0]].sha256
    ]
    if manifest.ledger_stand() != export.ledger:
        differing.append("the ledger's head")
    if differing:
        raise refuse(
            "not_identical", field="folder", value=differing[0], differing=", ".join(differing)
        )
