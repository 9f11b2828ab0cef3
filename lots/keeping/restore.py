"""A backup put back: into this database, or into a new one only to see whether it would be."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from django.contrib.contenttypes.models import ContentType
from django.db import connection

from config.refusals import refuse
from lots.keeping import manifest, postgresql_tools
from lots.keeping.archive import DATABASE, opened, unpack
from lots.keeping.attachments import bring_attachment
from lots.keeping.files import Stored
from lots.keeping.other_database import new_postgresql_database, pointed_at
from lots.keeping.sqlite_copy import check_whole, copy_in
from lots.keeping.tables import content_of, kept_tables, rows_in_use
from lots.ledger.ledger_checks import run_checks


@dataclass(frozen=True)
class Restored:
    """What came back. `is_current` says whether this program's tables are laid out as these."""

    made_at: str
    tables: int
    rows: int
    papers: int
    ledger: dict[str, Any]
    is_current: bool


@dataclass(frozen=True)
class Verified:
    """What a restored copy was found to be; nothing differs when all is well."""

    restored: Restored
    differing: list[str]
    unsound: list[str]


def verify_backup(path: Path) -> Verified:
    """Restores a backup into a new database, compares every digest, and checks the ledger there.

    The new database is taken away again; this one and its papers are left alone. Raises what
    `restore_backup` raises, and ConflictError `no_new_database`.
    """
    with opened(path) as (archive, content), _room_for(content) as folder:
        _check_fits(content)
        source = unpack(archive, _database_of(content), folder / "backup")
        with _restored_elsewhere(source):
            told = _told(content)
            differing = _differing(content) if told.is_current else []
            unsound = [
                f"{result.check.name}: {result.found} found"
                for result in (run_checks(with_files=False) if told.is_current else ())
                if result.found
            ]
        return Verified(told, differing, unsound)


def restore_backup(path: Path, *, overwrite: bool = False) -> Restored:
    """Puts a backup's database and papers in place of what is here, or changes nothing.

    Raises ConflictError `database_in_use` (unless `overwrite`), `newer_schema`, `newer_format`,
    `other_engine`, `other_schema`, `paper_differs`, `not_identical`, `tool_missing`,
    `tool_failed`, `database_busy`; InvalidError `no_such_file`, `not_readable`, `damaged`;
    UnavailableError `storage_full`.
    """
    with opened(path) as (archive, content), _room_for(content) as folder:
        _check_fits(content)
        _check_free(content, overwrite=overwrite)
        source = unpack(archive, _database_of(content), folder / "backup")
        if connection.vendor == "sqlite":
            check_whole(source)
            with pointed_at(str(source)):
                _check_same(content)
        papers = [name for name in archive.namelist() if name.startswith("attachments/")]
        brought: list[Path] = []
        try:
            for name in papers:
                inside = unpack(archive, name, folder / name)
                bring_attachment(name.removeprefix("attachments/"), inside, brought)
            _put_in_place(source)
        except BaseException:
            for each in brought:
                each.unlink(missing_ok=True)
            raise
        ContentType.objects.clear_cache()
        told = _told(content)
        _check_same(content)
        return told


def _check_same(content: dict[str, Any]) -> None:
    if content["migrations"] == manifest.on_disk_migrations() and (found := _differing(content)):
        raise refuse("not_identical:restore", field="file", found=", ".join(found))


def _put_in_place(source: Path) -> None:
    if connection.vendor == "sqlite":
        copy_in(source)
        return
    replacing = bool(connection.introspection.table_names())
    name = str(connection.settings_dict["NAME"])
    connection.close()
    postgresql_tools.restore(source, name=name, replacing=replacing)


@contextmanager
def _restored_elsewhere(source: Path) -> Iterator[None]:
    if connection.vendor == "sqlite":
        check_whole(source)
        with pointed_at(str(source)):
            yield
        return
    with new_postgresql_database() as name:
        postgresql_tools.restore(source, name=name, replacing=False)
        with pointed_at(name):
            yield


def _database_of(content: dict[str, Any]) -> str:
    return DATABASE[str(content["engine"])]


def _check_fits(content: dict[str, Any]) -> None:
    if content["engine"] != connection.vendor:
        raise refuse(
            "other_engine", field="file", value=content["engine"], vendor=connection.vendor
        )
    manifest.check_not_newer(content["migrations"])


def _check_free(content: dict[str, Any], *, overwrite: bool) -> None:
    """A database without tables, or only migrated, takes any backup; else `overwrite` must say so.

    PostgreSQL's tools replace the tables they know of, so there the layout must be the same.
    """
    tables = set(connection.introspection.table_names())
    if not tables:
        return
    is_current = content["migrations"] == manifest.applied_migrations()
    if connection.vendor == "postgresql" and not is_current:
        raise refuse("other_schema:restore", field="database")
    in_use = rows_in_use() if is_current else ["tables of another layout"]
    if in_use and not overwrite:
        raise refuse("database_in_use:restore", field="database", in_use=len(in_use))


def _told(content: dict[str, Any]) -> Restored:
    return Restored(
        made_at=content["made_at"],
        tables=len(content["tables"]),
        rows=sum(each["rows"] for each in content["tables"].values()),
        papers=sum(1 for name in content["files"] if name.startswith("attachments/")),
        ledger=content["ledger"],
        is_current=content["migrations"] == manifest.on_disk_migrations(),
    )


def _differing(content: dict[str, Any]) -> list[str]:
    """The tables that are not what the manifest says, and the ledger's head if it is not.

    A backup made before its migrations says nothing of its tables: their file was found whole.
    """
    if not content["tables"]:
        return []
    wanted = {
        name: Stored(each["rows"], each["sha256"]) for name, each in content["tables"].items()
    }
    found = {}
    for table in kept_tables():
        here = content_of(table)
        found[table.name] = Stored(here.rows, here.sha256)
    names = [name for name in sorted(wanted | found) if wanted.get(name) != found.get(name)]
    return names + ([] if manifest.ledger_stand() == content["ledger"] else ["the ledger's head"])


@contextmanager
def _room_for(content: dict[str, Any]) -> Iterator[Path]:
    """A folder to unpack to. Raises UnavailableError `storage_full`."""
    needed = sum(each["bytes"] for each in content["files"].values())
    with tempfile.TemporaryDirectory(prefix="restore.") as folder:
        if needed > shutil.disk_usage(folder).free:
            raise refuse("storage_full:restore", field="file", needed=needed)
        yield Path(folder)
