"""One file with the whole database and every paper, taken while the works goes on."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from django.db import connection

from lots import clock
from lots.keeping import manifest, postgresql_tools
from lots.keeping.archive import DATABASE, write_archive
from lots.keeping.attachments import attachment_names, attachment_path
from lots.keeping.files import appearing
from lots.keeping.other_database import pointed_at
from lots.keeping.sqlite_copy import copy_out, stand_alone
from lots.keeping.tables import content_of, kept_tables
from lots.ledger.snapshot import snapshot


@dataclass(frozen=True)
class BackedUp:
    """What the file holds, and which papers the tables name that were not there."""

    bytes: int
    rows: int
    papers: int
    missing: list[str]


def back_up(target: Path) -> BackedUp:
    """Writes a backup to a new file, whole or not at all; writers go on meanwhile.

    The database may still wait for migrations; its file is then whole, but its tables are not
    digested one by one.

    Raises ConflictError `target_exists`, `tool_missing`, `tool_failed`; InvalidError
    `no_such_folder`.
    """
    with (
        appearing(target) as partial,
        tempfile.TemporaryDirectory(prefix=".back_up.", dir=target.parent) as folder,
    ):
        copy = Path(folder) / DATABASE[connection.vendor]
        take = _from_postgresql if connection.vendor == "postgresql" else _from_sqlite
        with take(copy):
            content = _content()
            names = attachment_names()
        found = [name for name in names if attachment_path(name).is_file()]
        content["missing_attachments"] = missing = sorted(set(names) - set(found))
        members = {copy.name: copy}
        members |= {f"attachments/{name}": attachment_path(name) for name in found}
        size = write_archive(partial, members, content)
    rows = sum(each["rows"] for each in content["tables"].values())
    return BackedUp(size, rows, len(found), missing)


@contextmanager
def _from_sqlite(copy: Path) -> Iterator[None]:
    """Copies by the engine's online backup, and reads what the manifest says from the copy."""
    copy_out(copy)
    with pointed_at(str(copy)):
        yield
    stand_alone(copy)


@contextmanager
def _from_postgresql(copy: Path) -> Iterator[None]:
    """Dumps and reads from one snapshot, so that the manifest says what the dump holds."""
    with snapshot(), connection.cursor() as cursor:
        cursor.execute("SELECT pg_export_snapshot()")
        (name,) = cursor.fetchone()
        postgresql_tools.dump(copy, name)
        yield


def _content() -> dict[str, Any]:
    """Of an older layout only the version that made it can digest the tables: there are none."""
    tables = kept_tables() if manifest.is_current() else []
    return {
        "made_at": clock.now().isoformat(timespec="seconds"),
        "engine": connection.vendor,
        "migrations": manifest.applied_migrations(),
        "ledger": manifest.ledger_stand(),
        "tables": {table.name: asdict(content_of(table)) for table in tables},
    }
