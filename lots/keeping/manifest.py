"""What an export or a backup says of itself: where it stands, what it holds, and every digest."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any, Final

from django.db import connection
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.recorder import MigrationRecorder

from config.refusals import refuse
from lots.models import LedgerHead

NAME: Final = "manifest.json"
# A line for each table and paper; unpacked, a larger one is none of ours.
BYTES_MAX: Final = 64 * 1024 * 1024
Migrations = dict[str, list[str]]


def applied_migrations() -> Migrations:
    """The migrations that made this database's tables, by app."""
    found: Migrations = {}
    for app, name in sorted(MigrationRecorder(connection).applied_migrations()):
        found.setdefault(app, []).append(name)
    return found


def on_disk_migrations() -> Migrations:
    """The migrations this program brings, by app: what a database has once migrate has run."""
    found: Migrations = {}
    for app, name in sorted(MigrationLoader(None, ignore_no_migrations=True).disk_migrations):
        found.setdefault(app, []).append(name)
    return found


def is_current() -> bool:
    """Whether this database has the very tables of this program."""
    return applied_migrations() == on_disk_migrations()


def ledger_stand() -> dict[str, Any]:
    """The last movement's and the last seal's number and digest, which cover all before them."""
    names = ("last_sequence", "last_digest", "last_seal", "last_seal_digest")
    # Only these columns: a database that waits for its migrations may lack later ones.
    found = LedgerHead.objects.filter(pk=1).values(*names).first()
    return dict(found or {name: getattr(LedgerHead(), name) for name in names})


def as_bytes(manifest: Mapping[str, Any]) -> bytes:
    """The manifest as it is written: one text for one content."""
    return json.dumps(manifest, indent=1, ensure_ascii=False, sort_keys=True).encode() + b"\n"


def in_order(content: Mapping[str, Any]) -> bytes:
    """JSON whose keys stay in the order given, for a schema whose order says something."""
    return json.dumps(content, indent=1, ensure_ascii=False).encode() + b"\n"


def read(text: bytes, *, format_name: str, version: int) -> dict[str, Any]:
    """Raises InvalidError `not_readable`; ConflictError `newer_format`."""
    try:
        manifest = json.loads(text)
    except (ValueError, RecursionError):
        manifest = None
    if not isinstance(manifest, dict) or manifest.get("format") != format_name:
        raise refuse("not_readable:manifest", field="file", format_name=format_name)
    if manifest.get("format_version") != version:
        raise refuse(
            "newer_format", field="file", what=manifest.get("format_version"), version=version
        )
    return manifest


def check_not_newer(migrations: Migrations) -> None:
    """Refuses tables made by migrations that this program does not know.

    Raises ConflictError `newer_schema`.
    """
    known = set(MigrationLoader(None, ignore_no_migrations=True).disk_migrations)
    unknown = [
        f"{app}.{name}"
        for app, names in migrations.items()
        for name in names
        if (app, name) not in known
    ]
    if unknown:
        raise refuse(
            "newer_schema",
            field="file",
            value=sorted(unknown)[0],
            unknown=", ".join(sorted(unknown)),
        )
