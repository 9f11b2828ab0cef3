"""The daily backup in the folder chosen: whole, encrypted, limited in number, and restored."""

from __future__ import annotations

import datetime as dt
import errno
import io
import os
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import connection

from config.refusals import RefusalError
from lots import clock
from lots.keeping import backup_folder, encryption
from lots.keeping.backup_folder import (
    back_up_verified,
    choice,
    choose_folder,
    kept,
    proposed_passphrase,
)
from lots.keeping.files import Stored
from lots.keeping.other_database import new_postgresql_database, pointed_at
from lots.keeping.tables import rows_in_use
from lots.ledger.recording import Act
from tests.live_server import ROOT, database_url
from tests.reports.keeping.conftest import EVENING, Blank

pytestmark = pytest.mark.django_db
PASSPHRASE = "a bar for the assayer"


def test_the_backup_lies_in_the_folder_and_opens_with_the_passphrase_alone(
    books: Act, stick: Path, settings: SimpleNamespace, tmp_path: Path
) -> None:
    settings.SIGNING_KEY_FILE = settings.DATA_DIR / "signing.key"
    secrets = [settings.SIGNING_KEY_FILE, settings.DATA_DIR / "secret.key"]
    for number, path in enumerate(secrets):
        path.write_bytes(b"key %d of the works" % number)
    choose_folder(str(stick), passphrase=PASSPHRASE, by="Ada")
    made = back_up_verified()
    assert list(stick.iterdir()) == [made]
    assert kept().last == made
    assert kept().last_at == clock.now().replace(microsecond=0)
    assert b"manifest.json" not in made.read_bytes()
    encryption.decrypt(made, PASSPHRASE, tmp_path / "plain")
    archive = zipfile.ZipFile(tmp_path / "plain")
    folders = {name.partition("/")[0] for name in archive.namelist()}
    assert folders <= {"database.sqlite3", "database.pgdump", "attachments", "manifest.json"}
    for name in archive.namelist():
        content = archive.read(name)
        assert b"of the works" not in content
        assert PASSPHRASE.encode() not in content
    assert sorted(each.name for each in settings.DATA_DIR.iterdir()) == [
        "backups.json",
        "secret.key",
        "signing.key",
    ]
    assert (settings.DATA_DIR / "backups.json").stat().st_mode & 0o077 == 0


@contextmanager
def empty_machine(folder: Path) -> Iterator[dict[str, str]]:
    """The environment of a process on a machine without data; PostgreSQL gives it a database."""
    environment = {**os.environ, "DATA_DIR": str(folder), "BACKUP_PASSPHRASE": PASSPHRASE}
    if connection.vendor == "sqlite":
        environment.pop("DATABASE_URL", None)
        yield environment
        return
    with new_postgresql_database() as name, pointed_at(name):
        yield environment | {"DATABASE_URL": database_url()}


def manage(environment: dict[str, str], *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "manage.py", *arguments],
        cwd=ROOT,
        env=environment,
        check=False,
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
        timeout=150,
    )


def test_one_command_restores_on_an_empty_machine(books: Act, stick: Path, tmp_path: Path) -> None:
    choose_folder(str(stick), passphrase=PASSPHRASE, by="Ada")
    made = back_up_verified()
    with empty_machine(tmp_path / "new") as environment:
        asked = manage(environment | {"BACKUP_PASSPHRASE": ""}, "restore_backup", str(made))
        assert (asked.returncode, "BACKUP_PASSPHRASE" in asked.stderr) == (1, True)
        done = manage(environment, "restore_backup", str(made))
    assert done.returncode == 0, done.stderr
    assert "2 papers" in done.stdout
    assert "The ledger is sound" in done.stdout
    assert len([path for path in (tmp_path / "new/media").rglob("*") if path.is_file()]) == 2


def test_a_wrong_passphrase_changes_nothing(
    books: Act, stick: Path, blank: Blank, monkeypatch: pytest.MonkeyPatch
) -> None:
    choose_folder(str(stick), passphrase=PASSPHRASE, by="Ada")
    made = back_up_verified()
    monkeypatch.setenv("BACKUP_PASSPHRASE", "a bar for the essayer")
    with blank():
        for command in ("restore_backup", "verify_backup"):
            with pytest.raises(CommandError, match="does not open the file"):
                call_command(command, made)
        assert rows_in_use() == []
    monkeypatch.setenv("BACKUP_PASSPHRASE", PASSPHRASE)
    said = io.StringIO()
    call_command("verify_backup", made, stdout=said)
    assert "gives back what was backed up" in said.getvalue()


def test_only_this_sites_old_backups_go_and_only_once_a_new_one_is_there(
    books: Act, stick: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    choose_folder(str(stick), passphrase="", by="Ada")
    mark = choice().mark
    days = [EVENING - dt.timedelta(days=day) for day in range(1, 60)]
    old = [stick / f"ledger-{mark}-{day:%Y%m%dT%H%M%SZ}.backup" for day in days]
    others = [stick / f"ledger-000000-{days[50]:%Y%m%dT%H%M%SZ}.backup", stick / "a letter.txt"]
    for path in [*old, *others]:
        path.touch()
    with monkeypatch.context() as broken:
        broken.setattr(backup_folder, "write_file", full)
        with pytest.raises(OSError, match="No space left"):
            back_up_verified()
    assert sorted(stick.iterdir()) == sorted([*old, *others])
    with clock.at(EVENING):
        made = back_up_verified()
    left = set(stick.iterdir())
    assert {made, *others} <= left
    # 4 May back to 28 April, four Sundays before, and the last days of March and of April.
    assert {path.name.split("-")[2][:8] for path in left - {made, *others}} == {
        *("20260503", "20260502", "20260501", "20260430", "20260429", "20260428"),
        *("20260426", "20260419", "20260412", "20260331"),
    }


def full(*args: object) -> Stored:
    raise OSError(errno.ENOSPC, "No space left on device")


def test_what_the_disk_wrote_otherwise_is_no_backup(
    books: Act, stick: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write = backup_folder.write_file

    def slipping(path: Path, chunks: Any) -> Stored:
        if path.parent != stick:
            return write(path, chunks)
        content = b"".join(chunks)
        return write(path, [content[:-1], bytes([content[-1] ^ 1])])

    choose_folder(str(stick), passphrase="", by="Ada")
    monkeypatch.setattr(backup_folder, "write_file", slipping)
    with pytest.raises(RefusalError, match="does not give back"):
        back_up_verified()
    assert list(stick.iterdir()) == []


def test_until_a_folder_is_chosen_backups_lie_beside_the_database(
    books: Act, stick: Path, settings: SimpleNamespace
) -> None:
    made = back_up_verified()
    assert made.parent == settings.DATA_DIR / "backups"
    assert kept().last == made
    choose_folder(str(stick), passphrase=None, by="Ada")
    assert (kept().last, kept().is_there) == (None, True)


def test_a_folder_that_is_gone_is_told_and_not_made(
    books: Act, stick: Path, settings: SimpleNamespace
) -> None:
    choose_folder(str(stick), passphrase="", by="Ada")
    stick.rmdir()
    assert not kept().is_there
    with pytest.raises(RefusalError) as caught:
        back_up_verified()
    assert caught.value.code == "no_such_folder"
    assert not stick.exists()
    assert back_up_verified(anywhere=True).parent == settings.DATA_DIR / "backups"


def test_a_folder_or_passphrase_that_can_not_be_is_refused(
    stick: Path, settings: SimpleNamespace
) -> None:
    (stick / "a file").touch()
    for folder, passphrase, code in (
        ("stick", "", "no_such_folder"),
        (str(stick / "none"), "", "no_such_folder"),
        (str(stick / "a file"), "", "no_such_folder"),
        (str(settings.DATA_DIR), "", "folder_of_the_site"),
        (str(ROOT / "config"), "", "folder_of_the_site"),
        (str(stick), "too short", "passphrase_short"),
    ):
        with pytest.raises(RefusalError) as caught:
            choose_folder(folder, passphrase=passphrase, by="Ada")
        assert caught.value.code == code
    assert not choice().folder
    assert proposed_passphrase() != proposed_passphrase()


def test_the_command_shows_the_passphrase_once(
    stick: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    call_command("choose_backup_folder", str(stick))
    shown = capsys.readouterr().out.strip()
    assert choice().passphrase == shown
    call_command("choose_backup_folder", str(stick))
    assert capsys.readouterr().out == ""
    assert choice().passphrase == shown
    call_command("choose_backup_folder", str(stick), "--new-passphrase")
    assert choice().passphrase == capsys.readouterr().out.strip() != shown
    call_command("choose_backup_folder", str(stick), "--plain")
    assert choice().passphrase == ""
    with pytest.raises(CommandError, match="There is no folder"):
        call_command("choose_backup_folder", str(stick / "none"))
