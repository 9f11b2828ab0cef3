"""Every command of ours on a database that it can't work on: one sentence, exit code 2."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, get_commands, load_command_class
from django.db import OperationalError, connection
from django.db.migrations.recorder import MigrationRecorder

from config.commands import LedgerCommand
from lots.keeping.other_database import new_postgresql_database, pointed_at
from tests.live_server import ROOT

OURS = {name: app for name, app in get_commands().items() if app in {"config", "lots", "reports"}}
# Those that begin without a ledger, each with what it does there.
ON_ANY_DATABASE = {
    "choose_backup_folder": "asks no database",
    "demo": "makes the tables itself",
    "make_signing_key": "asks no database",
    "restore_backup": "brings the tables along",
    "serve": "makes the tables itself",
    "verify_backup": "restores into a database of its own",
    "verify_statement": "asks the database only with --ledger",
    "write_schema": "asks no database",
}
# What every command is told.
PLAIN = {"no_color": False, "force_color": False, "skip_checks": True}
OF_THE_LEDGER = sorted(set(OURS) - set(ON_ANY_DATABASE))


def command(name: str) -> LedgerCommand:
    made = load_command_class(OURS[name], name)
    assert isinstance(made, LedgerCommand), f"{name} is not told apart from the framework's own"
    return made


def refusal_said(name: str, **options: Any) -> str:
    """What the command says before it ends with exit code 2."""
    with pytest.raises(CommandError) as caught:
        command(name).execute(**options)
    assert caught.value.returncode == 2
    said = str(caught.value)
    assert (said.count("\n"), said.count(". "), said[-1]) == (0, 0, ".")
    return said


@pytest.fixture
def empty_database(db: None, tmp_path: Path) -> Iterator[None]:
    with ExitStack() as stack:
        name = str(tmp_path / "empty.sqlite3")
        if connection.vendor == "postgresql":
            name = stack.enter_context(new_postgresql_database())
        stack.enter_context(pointed_at(name))
        yield


@pytest.mark.parametrize("name", OF_THE_LEDGER)
def test_without_tables_it_says_to_migrate(empty_database: None, name: str) -> None:
    assert "run manage.py migrate first" in refusal_said(name)


def test_a_statement_is_not_looked_for_in_a_ledger_without_tables(empty_database: None) -> None:
    assert "run manage.py migrate first" in refusal_said("verify_statement", ledger=True, **PLAIN)


def test_with_a_migration_missing_it_says_so_and_does_nothing(db: None) -> None:
    MigrationRecorder.Migration.objects.filter(app="lots").order_by("-id")[0].delete()
    assert "lacks 1 of this version's migrations" in refusal_said("month_end", month="2026-05")


@pytest.mark.parametrize("name", sorted(OURS))
def test_a_database_that_does_not_answer_is_told_as_that(
    db: None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    def ask(**options: Any) -> None:
        connection.ensure_connection()

    asked = command(name)
    monkeypatch.setattr(type(asked), "handle", lambda self, **options: ask())
    monkeypatch.setattr(type(asked), "requires_system_checks", [])
    missing = tmp_path / "nowhere" / "ledger.sqlite3"
    with pointed_at("none" if connection.vendor == "postgresql" else str(missing)):
        said = refusal_said(name, **PLAIN)
    assert "does not answer" in said
    assert "DATABASE_URL" in said


def test_trouble_with_the_database_half_way_is_told_in_one_sentence(
    db: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*args: Any, **options: Any) -> None:
        raise OperationalError("server closed the connection\n\tand said no more")

    asked = command("check_ledger")
    monkeypatch.setattr(type(asked), "handle", fail)
    said = refusal_said("check_ledger", **PLAIN)
    assert "(server closed the connection)" in said


def test_the_process_ends_with_exit_code_2_and_no_traceback(tmp_path: Path) -> None:
    environment = {**os.environ, "DATA_DIR": str(tmp_path)}
    environment.pop("DATABASE_URL", None)
    ended = subprocess.run(
        [sys.executable, "manage.py", "check_ledger"],
        check=False,
        cwd=ROOT,
        env=environment,
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert (ended.returncode, ended.stdout) == (2, "")
    assert ended.stderr.count("\n") == 1
    assert ended.stderr.startswith("CommandError: The database ")
