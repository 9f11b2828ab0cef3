"""An export of everything reads back identical into either engine, or not at all."""

from __future__ import annotations

import csv
import hashlib
import json
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Thread

import pytest
from django.core.management import CommandError, call_command
from django.db import IntegrityError, connection, connections
from django.db.backends.sqlite3 import base as sqlite3
from django.test import override_settings
from jsonschema import Draft202012Validator

from lots.keeping import folder_export
from lots.keeping.attachments import attachment_path
from lots.keeping.other_database import pointed_at
from lots.keeping.tables import SECRETS, kept_tables, rows_in_use
from lots.ledger.recording import Act
from lots.models import Document, Movement
from tests.reports.keeping.conftest import Blank, move_a_lot

pytestmark = pytest.mark.django_db


@pytest.fixture(scope="module")
def export(books: Act, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("export") / "all"
    call_command("export_all", folder)
    return folder


def content(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def changed(export: Path, folder: Path, name: str, old: bytes, new: bytes, *, hashed: bool) -> Path:
    """A copy of the export with one file changed, whose hash in the manifest is put right too."""
    for path, data in content(export).items():
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        (folder / path).write_bytes(data)
    data, count = re.subn(old, new, (folder / name).read_bytes(), count=1)
    assert count == 1
    (folder / name).write_bytes(data)
    if hashed:
        manifest = json.loads((folder / "manifest.json").read_bytes())
        manifest["files"][name] = {"bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}
        (folder / "manifest.json").write_text(json.dumps(manifest))
    return folder


def test_an_import_is_identical_sound_and_goes_on(
    export: Path, books: Act, blank: Blank, tmp_path: Path
) -> None:
    last = Movement.objects.latest("pk").pk
    with blank():
        call_command("import_all", export)
        call_command("export_all", tmp_path / "again")
        paper = Document.objects.filter(name="paper.pdf").first()
        assert paper is not None
        sha256 = hashlib.sha256(attachment_path(paper.file.name).read_bytes()).hexdigest()
        assert sha256 == paper.sha256
        move_a_lot(books)
        assert Movement.objects.latest("pk").pk == last + 1
        with pytest.raises(Exception, match="append-only"):
            Movement.objects.filter(sequence=1).update(note="later")
    assert content(tmp_path / "again") == content(export)


@contextmanager
def on_sqlite(papers: Path) -> Iterator[None]:
    kept = connections["default"]
    engine = {"ENGINE": "django.db.backends.sqlite3", "NAME": ":memory:", "OPTIONS": {}}
    connections["default"] = sqlite3.DatabaseWrapper(kept.settings_dict | engine)
    try:
        with override_settings(MEDIA_ROOT=papers):
            yield
    finally:
        connections["default"].close()
        connections["default"] = kept


@pytest.mark.postgresql
def test_from_postgresql_to_sqlite_and_back(export: Path, blank: Blank, tmp_path: Path) -> None:
    with on_sqlite(tmp_path / "papers"):
        call_command("migrate", verbosity=0)
        call_command("import_all", export)
        call_command("export_all", tmp_path / "there")
    with blank():
        call_command("import_all", tmp_path / "there")
        call_command("export_all", tmp_path / "back")
    assert content(tmp_path / "there") == content(tmp_path / "back") == content(export)


def rows_by_another_program(export: Path, table: str) -> Iterator[dict[str, object]]:
    """As docs/keeping.md tells: CSV cells turned into JSON values by their schema's types."""
    schema = json.loads((export / f"schemas/{table}.schema.json").read_bytes())
    Draft202012Validator.check_schema(schema)
    kinds = {name: cell.get("type", "json") for name, cell in schema["properties"].items()}
    checked = Draft202012Validator(schema)
    with (export / f"tables/{table}.csv").open(encoding="utf-8", newline="") as file:
        for line in csv.DictReader(file, strict=True):
            row = {name: value(kinds[name], text) for name, text in line.items()}
            checked.validate(row)
            yield row


def value(kind: str | list[str], text: str) -> object:
    if kind == "string":
        return text
    if not text:
        return None
    plain = kind if isinstance(kind, str) else kind[0]
    return text if plain == "string" else json.loads(text)


def test_somebody_elses_program_can_read_it(export: Path) -> None:
    manifest = json.loads((export / "manifest.json").read_bytes())
    for table in manifest["tables"]:
        rows = list(rows_by_another_program(export, table["name"]))
        assert len(rows) == table["rows"]
    by_metal: dict[object, int] = {}
    for entry in rows_by_another_program(export, "lots_entry"):
        by_metal[entry["metal"]] = by_metal.get(entry["metal"], 0) + int(str(entry["mass_ug"]))
    assert by_metal
    assert set(by_metal.values()) == {0}


def test_an_export_holds_no_secret_unless_told(export: Path, books: Act, tmp_path: Path) -> None:
    users = list(rows_by_another_program(export, "auth_user"))
    assert {user["password"] for user in users} == {"!"}
    assert not (export / "tables/lots_apitoken.csv").exists()
    assert not (export / "tables/django_session.csv").exists()
    call_command("export_all", tmp_path / "all", with_secrets=True)
    hashes = {user["password"] for user in rows_by_another_program(tmp_path / "all", "auth_user")}
    assert books.who.password in hashes
    assert (tmp_path / "all").stat().st_mode & 0o077 == 0


# Columns whose names sound secret and that are none: idempotency keys, hashes, public keys.
NO_SECRETS = {
    "lots_person.must_change_password",
    "lots_recordedrequest.key",
    "reports_sharedlink.token_sha256",
    "reports_statementsignature.public_key",
}


def test_every_column_that_sounds_secret_is_decided_on() -> None:
    sounds = re.compile(r"passw|secret|token|(^|_)key$|otp")
    found = {
        f"{table.name}.{column.name}"
        for table in kept_tables(with_secrets=False)
        for column in table.columns
        if sounds.search(column.name) and column.name not in table.replaced
    }
    assert found - NO_SECRETS == set()
    assert SECRETS["auth_user"]["password"] == "!"


DAMAGE = {
    "a byte changed": ("tables/lots_entry.csv", b"Ag", b"Au", False, "not as it was written"),
    "no whole number": (
        "tables/lots_entry.csv",
        rb"(\r\n\d+,\d+),",
        rb"\1.0,",
        True,
        "whole number",
    ),
    "a field too many": ("tables/lots_lot.csv", rb"(\r\n)(\d+,)", rb"\1\2\2", True, "fields where"),
    "a column renamed": ("tables/lots_lot.csv", b"code", b"name", True, "header"),
    "another schema": ("schemas/lots_lot.schema.json", b"maxLength", b"minLength", True, "schema"),
    "another figure": ("tables/lots_ledgerhead.csv", rb"\r\n1,", rb"\r\n2,", True, "ledger's head"),
    "a link to nothing": ("tables/lots_lot.csv", rb"\r\n\d+,", rb"\r\n99999,", True, "foreign key"),
}


def test_a_damaged_export_changes_nothing(export: Path, blank: Blank, tmp_path: Path) -> None:
    with blank():
        for damage, (name, old, new, hashed, says) in DAMAGE.items():
            folder = changed(export, tmp_path / damage, name, old, new, hashed=hashed)
            with pytest.raises((CommandError, IntegrityError), match=says):
                call_command("import_all", folder)
            assert rows_in_use() == [], damage
        call_command("check_ledger")


def test_only_an_empty_database_takes_an_import(export: Path) -> None:
    with pytest.raises(CommandError, match="has rows already"):
        call_command("import_all", export)


def test_an_export_never_overwrites(export: Path) -> None:
    before = content(export)
    with pytest.raises(CommandError, match="is there already"):
        call_command("export_all", export)
    assert content(export) == before


def test_what_is_recorded_meanwhile_is_not_half_in_it(
    books: Act, blank: Blank, export: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    names = folder_export.attachment_names

    def meanwhile() -> list[str]:
        thread = Thread(target=record, args=(books, str(connection.settings_dict["NAME"])))
        thread.start()
        thread.join()
        return names()

    with blank():
        call_command("import_all", export)
        monkeypatch.setattr(folder_export, "attachment_names", meanwhile)
        call_command("export_all", tmp_path / "during")
        assert Movement.objects.count() > len(
            list(rows_by_another_program(tmp_path / "during", "lots_movement"))
        )
    assert content(tmp_path / "during") == content(export)


def record(books: Act, name: str) -> None:
    with pointed_at(name):
        move_a_lot(books)
    connections.close_all()
