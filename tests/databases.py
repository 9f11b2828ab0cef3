"""Test databases: a private copy for tests with real transactions, and one without its guards."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from django.db import connections
from django.db.backends.base.base import BaseDatabaseWrapper

ALIAS = "default"
COPY_SUFFIX = "_own"


@contextmanager
def own_copy(folder: Path) -> Iterator[None]:
    """Points every thread at a copy of the test database, and drops the copy afterwards.

    On SQLite the copy is a file: the test database itself lives in memory, where threads can't
    lock one another out as they do in service.
    """
    shared = connections[ALIAS]
    name = shared.settings_dict["NAME"]
    copy = _copy_sqlite(shared, folder) if shared.vendor == "sqlite" else _copy_postgresql(shared)
    del connections[ALIAS]
    shared.settings_dict["NAME"] = copy
    try:
        yield
    finally:
        connections[ALIAS].close()
        shared.settings_dict["NAME"] = name
        connections[ALIAS] = shared
        if shared.vendor == "postgresql":
            with shared._nodb_cursor() as cursor:
                cursor.execute(f'DROP DATABASE "{copy}" WITH (FORCE)')


def _copy_sqlite(shared: BaseDatabaseWrapper, folder: Path) -> str:
    shared.ensure_connection()
    path = folder / "ledger.sqlite3"
    with closing(sqlite3.connect(path)) as target:
        shared.connection.backup(target)
    return str(path)


def _copy_postgresql(shared: BaseDatabaseWrapper) -> str:
    name = str(shared.settings_dict["NAME"])
    copy = name + COPY_SUFFIX
    shared.close()
    with shared._nodb_cursor() as cursor:
        cursor.execute(f'DROP DATABASE IF EXISTS "{copy}" WITH (FORCE)')
        cursor.execute(f'CREATE DATABASE "{copy}" TEMPLATE "{name}"')
    return copy


@contextmanager
def unguarded(database: BaseDatabaseWrapper, *, back: bool = True) -> Iterator[None]:
    """Takes every trigger away, whichever app put it there, and puts them `back` as they were."""
    if database.vendor == "postgresql":
        found = (
            "SELECT tgname, tgrelid::regclass::text, pg_get_triggerdef(oid) FROM pg_trigger "
            "WHERE NOT tgisinternal"
        )
        drop = "DROP TRIGGER {0} ON {1}"
    else:
        found = "SELECT name, tbl_name, sql FROM sqlite_master WHERE type = 'trigger'"
        drop = "DROP TRIGGER {0}"
    with database.cursor() as cursor:
        cursor.execute(found)
        triggers = cursor.fetchall()
        for trigger in triggers:
            cursor.execute(drop.format(*trigger))
    yield
    if back:
        with database.cursor() as cursor:
            for _, _, definition in triggers:
                cursor.execute(definition)
