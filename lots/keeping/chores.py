"""The daily chores: done by the site as it serves, or by `manage.py daily`, once a day in all.

When each ran last stands in a small database of its own in DATA_DIR. Its lock, which the system
takes back from a process that died, is what keeps two processes from doing the same.
"""

from __future__ import annotations

import logging
import sqlite3
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager
from datetime import datetime
from pathlib import Path
from typing import Final

from django.apps import apps
from django.conf import settings
from django.db import connections, transaction
from django.utils.module_loading import import_string

from config.refusals import RefusalError
from lots import clock
from lots.feed.event_delivery import deliver_due
from lots.keeping.backup_folder import back_up_verified, choice
from lots.keeping.daily_plan import Ran, due
from lots.ledger.ledger_checks import run_checks
from lots.ledger.recording import lock_ledger
from lots.ledger.sealing import seal_waiting
from lots.queries.works_zone import works_zone
from lots.traces.keep_traces import keep_traces

WAKES_EVERY_S: Final = 60.0
_LAID: Final = (
    "CREATE TABLE IF NOT EXISTS ran "
    "(name TEXT PRIMARY KEY, tried_at TEXT NOT NULL, well_at TEXT, said TEXT NOT NULL)"
)
logger = logging.getLogger(__name__)


class ChoreError(Exception):
    """A chore found something that a person must see to; the text says what."""


def chores() -> dict[str, Callable[[], str]]:
    """Every chore by name in the order they are done; each answers what it did.

    An app adds its own as `AppConfig.daily_chores`. The backup comes last, so that it has the rest.
    """
    found: dict[str, Callable[[], str]] = {"seals": _seal, "traces": _keep_traces}
    for config in apps.get_app_configs():
        for name, where in getattr(config, "daily_chores", {}).items():
            found[name] = import_string(where)
    return {**found, "events": _deliver, "books": _check, "backup": _back_up}


def last_ran() -> dict[str, Ran]:
    """When each chore was last tried, by name."""
    if not _file().exists():
        return {}
    with closing(sqlite3.connect(_file(), timeout=5)) as kept:
        return _read(kept)


def run_due(*, again: bool = False) -> Mapping[str, Ran] | None:
    """Does what is due, or with `again` everything, and answers how it went, by name.

    None when another process is at it. A chore that fails stops neither the others nor the caller.
    """
    with _alone() as kept:
        if kept is None:
            return None
        now = clock.now().astimezone(works_zone())
        every, ran = chores(), _read(kept)
        for name in every if again else _due(ran, now):
            ran[name] = _tried(name, every[name], ran.get(name), now)
            row = (name, now.isoformat(), _text(ran[name].well_at), ran[name].said)
            kept.execute("REPLACE INTO ran VALUES (?, ?, ?, ?)", row)
        return {name: ran[name] for name in every if name in ran}


def go_on(stopping: threading.Event) -> None:
    """Wakes now and then until the site stops: sends events, and does the chores once a day."""
    while not stopping.wait(WAKES_EVERY_S):
        try:
            deliver_due()
            if _due(last_ran(), clock.now().astimezone(works_zone())):
                run_due()
        except Exception:
            # The site goes on without; the next time may go well.
            logger.exception("the daily chores could not be done")
        finally:
            connections.close_all()


@contextmanager
def alone(timeout_s: float) -> Iterator[None]:
    """Nobody else backs up or migrates meanwhile. Raises ChoreError when that takes too long."""
    with _alone(timeout_s) as kept:
        if kept is None:
            raise ChoreError("Another process of this site is at the daily chores.")
        yield


def told(error: Exception) -> str:
    """What went wrong, in words for a person."""
    if isinstance(error, RefusalError):
        return f"{error.message} {error.remedy}"
    if isinstance(error, OSError):
        return f"A file can't be read or written: {error}"
    return str(error) if isinstance(error, ChoreError) else f"{type(error).__name__}: {error}"[:300]


def _due(ran: Mapping[str, Ran], now: datetime) -> list[str]:
    """What is due; a backup made before the folder was chosen lies elsewhere and does not count."""
    chosen_at = choice().chosen_at
    counted = dict(ran)
    if "backup" in ran and chosen_at and ran["backup"].tried_at < datetime.fromisoformat(chosen_at):
        del counted["backup"]
    return due(chores(), counted, now)


def _tried(name: str, chore: Callable[[], str], last: Ran | None, now: datetime) -> Ran:
    well_at = last.well_at if last else None
    try:
        said, well_at = chore(), now
    except Exception as error:
        said = told(error)
        logger.error("daily chore %s failed: %s", name, type(error).__name__)
    return Ran(now, well_at, said)


def _seal() -> str:
    with transaction.atomic():
        lock_ledger()
        seal = seal_waiting()
    return "Nothing waits to be sealed." if seal is None else f"Seal {seal.pk} made."


def _keep_traces() -> str:
    return f"Checkpoints made: {keep_traces()}."


def _deliver() -> str:
    outcome = deliver_due()
    return ", ".join(f"{what} {outcome[what]}" for what in ("delivered", "failed", "given_up"))


def _check() -> str:
    faults = [f"{each.check.name} ({each.found})" for each in run_checks() if each.found]
    if faults:
        raise ChoreError(f"The ledger is not sound: {', '.join(faults)}. Run check_ledger.")
    return "The ledger is sound."


def _back_up() -> str:
    return f"Backed up and verified: {back_up_verified()}"


@contextmanager
def _alone(timeout_s: float = 0) -> Iterator[sqlite3.Connection | None]:
    """The record of the chores, locked; what is written in the block is kept when it ends."""
    connection = sqlite3.connect(_file(), timeout=timeout_s, isolation_level=None)
    with closing(connection) as kept:
        try:
            kept.execute("BEGIN IMMEDIATE")
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode != sqlite3.SQLITE_BUSY:
                raise
            yield None
            return
        kept.execute("PRAGMA busy_timeout=10000")  # a page may be reading as this is kept
        kept.execute(_LAID)
        yield kept
        kept.execute("COMMIT")


def _read(kept: sqlite3.Connection) -> dict[str, Ran]:
    try:
        rows = kept.execute("SELECT name, tried_at, well_at, said FROM ran").fetchall()
    except sqlite3.OperationalError:  # somebody is just laying the table
        return {}
    return {
        name: Ran(datetime.fromisoformat(tried), well and datetime.fromisoformat(well), said)
        for name, tried, well, said in rows
    }


def _text(moment: datetime | None) -> str | None:
    return None if moment is None else moment.isoformat()


def _file() -> Path:
    return Path(settings.DATA_DIR) / "chores.sqlite3"
