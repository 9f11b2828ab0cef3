"""SQLite's online copy of one whole database over another: readers and writers go on, or wait."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any, Final

from django.db import connection

from config.refusals import refuse

WAIT_S_MAX: Final = 30.0
_HELD: Final = {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}


def copy_out(target: Path) -> None:
    """Copies this database, as of one moment, into a new file that stands alone."""
    with _reading() as source, closing(sqlite3.connect(target)) as copy:
        _copy(source, copy)
    stand_alone(target)


def copy_in(source: Path) -> None:
    """Puts a file's database in place of this one in one transaction.

    Raises ConflictError `database_busy` when another program keeps it locked.
    """
    connection.ensure_connection()
    with closing(sqlite3.connect(source)) as backup:
        _copy(backup, connection.connection)


def check_whole(path: Path) -> None:
    """Raises InvalidError `damaged` when the engine finds fault with a file's pages."""
    try:
        with closing(sqlite3.connect(path)) as database:
            (said,) = database.execute("PRAGMA integrity_check(1)").fetchone()
    except sqlite3.DatabaseError as error:
        said = str(error)
    if said != "ok":
        raise refuse("damaged:sqlite_copy", field="file", said=said)


def stand_alone(path: Path) -> None:
    """Takes a file out of WAL mode, in which it would look for files beside itself."""
    with closing(sqlite3.connect(path)) as database:
        database.execute("PRAGMA journal_mode=DELETE")


@contextmanager
def _reading() -> Iterator[sqlite3.Connection]:
    """A connection of its own, for a connection that writes can't be copied meanwhile."""
    if connection.is_in_memory_db():  # type: ignore[attr-defined]
        connection.ensure_connection()
        yield connection.connection
        return
    with closing(sqlite3.connect(str(connection.settings_dict["NAME"]))) as source:
        yield source


def _copy(source: sqlite3.Connection, target: Any) -> None:
    began = time.monotonic()

    def waiting(status: int, remaining: int, total: int) -> None:
        if status in _HELD and time.monotonic() - began > WAIT_S_MAX:
            raise refuse("database_busy", field="database")

    source.backup(target, progress=waiting)
