"""Points this thread's default connection at another database of the same kind for a while."""

from __future__ import annotations

import copy
import secrets
from collections.abc import Iterator
from contextlib import contextmanager, suppress

from django.contrib.contenttypes.models import ContentType
from django.db import DEFAULT_DB_ALIAS, connections
from django.db.utils import DatabaseError

from config.refusals import refuse
from lots.keeping.postgresql_tools import plain_name


@contextmanager
def pointed_at(name: str) -> Iterator[None]:
    """Everything inside reads and writes the database `name`; then all is as before."""
    kept = connections[DEFAULT_DB_ALIAS]
    settings = copy.deepcopy(kept.settings_dict) | {"NAME": name}
    other = type(kept)(settings, DEFAULT_DB_ALIAS)
    connections[DEFAULT_DB_ALIAS] = other
    ContentType.objects.clear_cache()
    try:
        yield
    finally:
        other.close()
        connections[DEFAULT_DB_ALIAS] = kept
        ContentType.objects.clear_cache()


@contextmanager
def new_postgresql_database() -> Iterator[str]:
    """An empty database on the same server, dropped afterwards.

    Raises ConflictError `no_new_database` when the role may not make one.
    """
    connection = connections[DEFAULT_DB_ALIAS]
    name = f"verify_{secrets.token_hex(6)}"
    try:
        with connection._nodb_cursor() as cursor:
            cursor.execute(f"CREATE DATABASE {plain_name(name)} TEMPLATE template0")
    except DatabaseError as error:
        raise refuse("no_new_database", field="database", error=str(error).strip()) from error
    try:
        yield name
    finally:
        with suppress(DatabaseError), connection._nodb_cursor() as cursor:
            cursor.execute(f"DROP DATABASE {plain_name(name)} WITH (FORCE)")
