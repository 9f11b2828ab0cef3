"""A backup taken in use gives back the books whole, and a bad one changes nothing."""

from __future__ import annotations

import json
import shutil
import zipfile
from collections.abc import Callable
from pathlib import Path
from threading import Thread
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import connection, connections

from lots.keeping import archive, backup, manifest
from lots.keeping.attachments import attachment_path
from lots.keeping.other_database import pointed_at
from lots.keeping.tables import content_of, kept_tables, rows_in_use
from lots.ledger.recording import Act
from lots.models import Document, Movement
from tests.reports.keeping.conftest import Blank, move_a_lot

pytestmark = pytest.mark.django_db


@pytest.fixture(scope="module")
def kept(books: Act, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("backup") / "kept.backup"
    call_command("back_up", path)
    return path


def every_table() -> dict[str, object]:
    return {table.name: content_of(table) for table in kept_tables()}


def rewritten(path: Path, target: Path, change: Callable[[dict[str, Any]], None]) -> Path:
    """A copy of the archive whose manifest was changed."""
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(target, "w") as new:
        for name in old.namelist():
            data = old.read(name)
            if name == "manifest.json":
                manifest = json.loads(data)
                change(manifest)
                data = json.dumps(manifest).encode()
            new.writestr(name, data)
    return target


def test_a_backup_taken_in_use_gives_back_one_moment(
    kept: Path,
    books: Act,
    blank: Blank,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    before = every_table()
    names = backup.attachment_names

    def meanwhile() -> list[str]:
        thread = Thread(target=record, args=(books, name))
        thread.start()
        thread.join()
        return names()

    with blank():
        call_command("restore_backup", kept)
        assert every_table() == before
        documents = Document.objects.filter(name="paper.pdf").order_by("pk")
        papers = [attachment_path(each.file.name) for each in documents]
        assert all(paper.read_bytes().startswith(b"%PDF-") for paper in papers)
        with pytest.raises(Exception, match="append-only"):
            Movement.objects.filter(sequence=1).update(note="later")

        content = papers[0].read_bytes()
        papers[0].unlink()
        name = str(connection.settings_dict["NAME"])
        monkeypatch.setattr(backup, "attachment_names", meanwhile)
        call_command("back_up", tmp_path / "in-use", verify=True)
        told = capsys.readouterr()
        assert papers[0].name in told.err
        assert "gives back what was backed up" in told.out
        assert every_table() != before
        with pytest.raises(CommandError, match="not sound: papers"):
            call_command("restore_backup", tmp_path / "in-use", overwrite=True)
        assert every_table() == before
        papers[0].write_bytes(content)
        move_a_lot(books)


def record(books: Act, name: str) -> None:
    with pointed_at(name):
        move_a_lot(books)
    connections.close_all()


def test_verifying_tells_a_table_that_differs(
    kept: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def another_digest(manifest: dict[str, Any]) -> None:
        manifest["tables"]["lots_entry"]["sha256"] = "0" * 64

    with pytest.raises(CommandError, match="does not give back"):
        call_command("verify_backup", rewritten(kept, tmp_path / "other", another_digest))
    assert "differs: lots_entry\n" in capsys.readouterr().out


def test_only_a_database_without_rows_is_filled_unless_told(kept: Path) -> None:
    before = every_table()
    with pytest.raises(CommandError, match="has rows already"):
        call_command("restore_backup", kept)
    assert every_table() == before


def newer(manifest: dict[str, Any]) -> None:
    manifest["migrations"]["lots"].append("9000_something_new")


def other_engine(manifest: dict[str, Any]) -> None:
    engines = {"sqlite": "postgresql", "postgresql": "sqlite"}
    manifest["engine"] = engines[manifest["engine"]]


def later_format(manifest: dict[str, Any]) -> None:
    manifest["format_version"] = 2


def other_bytes(manifest: dict[str, Any]) -> None:
    next(iter(manifest["files"].values()))["sha256"] = "0" * 64


def a_way_out(manifest: dict[str, Any]) -> None:
    manifest["files"]["attachments/../../elsewhere"] = {"bytes": 0, "sha256": "0" * 64}


def cut_off(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-1000])


def one_byte_changed(path: Path) -> None:
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)


def emptied(path: Path) -> None:
    path.write_bytes(b"")


REWRITTEN = {
    newer: "newer version of the program: lots.9000_something_new",
    other_engine: "this database is",
    later_format: "version 2 of the format",
    other_bytes: "is not as it was written",
    a_way_out: "is not in its list of files, or is missing",
}
DAMAGED = {
    cut_off: "is cut off or is no backup",
    one_byte_changed: "damaged",
    emptied: "is cut off or is no backup",
}


def test_a_bad_backup_changes_nothing(kept: Path, blank: Blank, tmp_path: Path) -> None:
    bad = [
        (rewritten(kept, tmp_path / change.__name__, change), says)
        for change, says in REWRITTEN.items()
    ]
    for damage, says in DAMAGED.items():
        copy = Path(shutil.copy(kept, tmp_path / damage.__name__))
        damage(copy)
        bad.append((copy, says))
    with blank():
        for path, says in bad:
            for command in ("verify_backup", "restore_backup"):
                with pytest.raises(CommandError, match=says):
                    call_command(command, path)
            assert rows_in_use() == [], path
        call_command("check_ledger")


def test_a_backup_unpacks_to_no_more_than_it_says(
    kept: Path, blank: Blank, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def one_byte(manifest: dict[str, Any]) -> None:
        for each in manifest["files"].values():
            each["bytes"] = 1

    shorter = rewritten(kept, tmp_path / "shorter", one_byte)
    read: list[int] = []
    whole = zipfile.ZipExtFile.read

    def counted(self: zipfile.ZipExtFile, n: int | None = -1) -> bytes:
        chunk = whole(self, n)
        read.append(len(chunk))
        return chunk

    monkeypatch.setattr(archive, "CHUNK_BYTES", 1000)
    monkeypatch.setattr(zipfile.ZipExtFile, "read", counted)
    with blank():
        with pytest.raises(CommandError, match="is not as it was written"):
            call_command("verify_backup", shorter)
        size = len(zipfile.ZipFile(shorter).read("manifest.json"))
        assert sum(read) <= 2 * size + 1000
        monkeypatch.setattr(manifest, "BYTES_MAX", size - 1)
        with pytest.raises(CommandError, match="is cut off or is no backup"):
            call_command("verify_backup", shorter)
        monkeypatch.undo()
        usage = shutil.disk_usage(tmp_path)
        monkeypatch.setattr(shutil, "disk_usage", lambda folder: usage._replace(free=1000))
        for command in ("verify_backup", "restore_backup"):
            with pytest.raises(CommandError, match="no room"):
                call_command(command, kept)
        assert rows_in_use() == []


def test_a_backup_never_overwrites_and_leaves_nothing_half_written(
    kept: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = kept.read_bytes()
    with pytest.raises(CommandError, match="is there already"):
        call_command("back_up", kept)
    assert kept.read_bytes() == before
    assert kept.stat().st_mode & 0o077 == 0

    def full(*args: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(backup, "write_archive", full)
    with pytest.raises(CommandError, match="No space left"):
        call_command("back_up", tmp_path / "second")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.postgresql
def test_without_postgresqls_tools_the_remedy_is_told(
    books: Act, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(shutil, "which", lambda tool: None)
    with pytest.raises(CommandError, match=r"pg_dump is not installed.*export_all"):
        call_command("back_up", tmp_path / "none")
    assert list(tmp_path.iterdir()) == []
