"""The chores beside the site and by two processes, and a database of an older version served."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import threading
from pathlib import Path
from types import SimpleNamespace

import pytest

from lots.keeping import chores
from lots.keeping.backup_folder import choose_folder
from lots.keeping.chores import go_on, last_ran
from tests.live_server import ROOT, database_url

OLDER = ROOT / "fixtures/backups/at-3cb4324.backup"
ALL = {"seals", "traces", "warnings", "events", "books", "backup"}


@pytest.fixture
def stick(tmp_path: Path, settings: SimpleNamespace) -> Path:
    settings.DATA_DIR = tmp_path / "data"
    settings.DATA_DIR.mkdir()
    (tmp_path / "stick").mkdir()
    return tmp_path / "stick"


def environment(data_dir: Path) -> dict[str, str]:
    return {**os.environ, "DATA_DIR": str(data_dir), "DATABASE_URL": database_url()}


def test_of_two_processes_one_does_them(
    emptied_database: None, stick: Path, settings: SimpleNamespace
) -> None:
    choose_folder(str(stick), passphrase="a bar for the assayer", by="Ada")
    command = [sys.executable, "manage.py", "daily"]
    both = [
        subprocess.Popen(
            command, cwd=ROOT, env=environment(settings.DATA_DIR), stdout=subprocess.PIPE, text=True
        )
        for _ in range(2)
    ]
    said = [process.communicate(timeout=150)[0] for process in both]
    assert [process.returncode for process in both] == [0, 0], said
    assert len(list(stick.iterdir())) == 1
    assert any(
        "Another process is at them now." in each or each == said[not number]
        for number, each in enumerate(said)
    )


class Soon(threading.Event):
    """Is asked to stop after so many rounds, without a wait."""

    def __init__(self, rounds: int) -> None:
        super().__init__()
        self.rounds = rounds

    def wait(self, timeout: float | None = None) -> bool:
        self.rounds -= 1
        return self.rounds < 0


def test_the_site_wakes_and_does_them_and_goes_on_whatever_happens(
    emptied_database: None,
    stick: Path,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    go_on(Soon(2))
    assert set(last_ran()) == ALL
    assert all(each.is_well for each in last_ran().values())

    def fail() -> None:
        raise RuntimeError

    monkeypatch.setattr(chores, "deliver_due", fail)
    go_on(Soon(2))
    assert caplog.text.count("the daily chores could not be done") == 2


def of_an_older_version(folder: Path) -> dict[str, str]:
    """A machine with the books of commit 3cb4324, kept by its own `back_up` (invented, SQLite)."""
    told = {**os.environ, "DATA_DIR": str(folder)}
    told.pop("DATABASE_URL", None)
    assert manage(told, "restore_backup", str(OLDER)).returncode == 0
    return told


def manage(told: dict[str, str], *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "manage.py", *arguments],
        cwd=ROOT,
        env=told,
        check=False,
        capture_output=True,
        text=True,
        timeout=150,
    )


def serve_shortly(told: dict[str, str]) -> subprocess.CompletedProcess[str]:
    """What comes before serving, which then finds its address taken."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        return manage(told, "serve", "--bind", f"127.0.0.1:{taken.getsockname()[1]}")


def test_a_database_of_an_older_version_is_backed_up_then_migrated_and_sound(
    tmp_path: Path,
) -> None:
    told = of_an_older_version(tmp_path / "data")
    served = serve_shortly(told)
    assert "The database is of this version now. The backup made before is" in served.stdout
    assert "Can't serve on 127.0.0.1:" in served.stderr
    checked = manage(told, "check_ledger")
    assert (checked.returncode, "The ledger is sound" in checked.stdout) == (0, True)
    (made,) = (tmp_path / "data/backups").iterdir()
    assert "The database is of" not in serve_shortly(told).stdout
    assert list((tmp_path / "data/backups").iterdir()) == [made]
    assert "of an older layout" in manage(told, "verify_backup", str(made)).stdout

    again = told | {"DATA_DIR": str(tmp_path / "again")}
    assert manage(again, "restore_backup", str(made)).returncode == 0
    assert manage(again, "migrate").returncode == 0
    assert "The ledger is sound" in manage(again, "check_ledger").stdout


def test_what_can_not_be_backed_up_is_neither_migrated_nor_served(tmp_path: Path) -> None:
    told = of_an_older_version(tmp_path / "data")
    before = (tmp_path / "data/ledger.sqlite3").read_bytes()
    (tmp_path / "data/backups").write_text("a file where the folder should be", "utf-8")
    served = serve_shortly(told)
    assert served.returncode == 1
    assert "could not be backed up" in served.stderr
    assert "Traceback" not in served.stderr
    assert (tmp_path / "data/ledger.sqlite3").read_bytes() == before


def test_a_database_without_tables_is_made_and_nothing_is_backed_up(tmp_path: Path) -> None:
    told = {**os.environ, "DATA_DIR": str(tmp_path / "data")}
    told.pop("DATABASE_URL", None)
    (tmp_path / "data").mkdir()
    served = serve_shortly(told)
    assert "The database is of this version now.\n" in served.stdout
    assert not (tmp_path / "data/backups").exists()
    assert "The ledger is sound" in manage(told, "check_ledger").stdout
