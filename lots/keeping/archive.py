"""A backup's archive: one ZIP file with the database, the papers and the manifest."""

from __future__ import annotations

import hashlib
import os
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

from config.refusals import RefusalError, refuse
from lots.keeping import manifest
from lots.keeping.files import CHUNK_BYTES, PRIVATE_FILE, Stored, is_inside, read_chunks

FORMAT: Final = "parting-ledger-backup"
VERSION: Final = 1
DATABASE: Final = {"sqlite": "database.sqlite3", "postgresql": "database.pgdump"}
_LEVEL: Final = 6
_BROKEN: Final = (zipfile.BadZipFile, zlib.error, EOFError, OSError, NotImplementedError)


def write_archive(target: Path, members: Mapping[str, Path], content: dict[str, Any]) -> int:
    """Writes the members and, last, the manifest with their hashes. Returns the archive's bytes."""
    files: dict[str, Stored] = {}
    handle = os.open(target, os.O_RDWR | os.O_CREAT | os.O_EXCL, PRIVATE_FILE)
    with os.fdopen(handle, "w+b") as raw:
        with zipfile.ZipFile(raw, "w", zipfile.ZIP_DEFLATED, compresslevel=_LEVEL) as archive:
            for name, source in members.items():
                files[name] = _add(archive, name, source)
            full = {
                **content,
                "format": FORMAT,
                "format_version": VERSION,
                "files": {name: asdict(each) for name, each in files.items()},
            }
            archive.writestr(manifest.NAME, manifest.as_bytes(full))
        raw.flush()
        os.fsync(raw.fileno())
    return target.stat().st_size


@contextmanager
def opened(path: Path) -> Iterator[tuple[zipfile.ZipFile, dict[str, Any]]]:
    """The archive and its manifest, after every member was found to be as it was written.

    Raises InvalidError `no_such_file`, `not_readable`, `damaged`; ConflictError `newer_format`.
    """
    if not path.is_file():
        raise refuse("no_such_file", field="file", value=path)
    try:
        archive = zipfile.ZipFile(path)
        with archive.open(manifest.NAME) as member:
            text = member.read(manifest.BYTES_MAX + 1)
        if len(text) > manifest.BYTES_MAX:
            raise zipfile.BadZipFile("its manifest is larger than any")
    except (*_BROKEN, KeyError) as error:
        raise refuse("not_readable", field="file", value=path, error=error) from error
    with archive:
        content = manifest.read(text, format_name=FORMAT, version=VERSION)
        _check(archive, content["files"])
        yield archive, content


def unpack(archive: zipfile.ZipFile, name: str, target: Path) -> Path:
    """Writes one member beside others that are private."""
    target.parent.mkdir(parents=True, exist_ok=True)
    handle = os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL, PRIVATE_FILE)
    with archive.open(name) as source, os.fdopen(handle, "wb") as file:
        while chunk := source.read(CHUNK_BYTES):
            file.write(chunk)
    return target


def _add(archive: zipfile.ZipFile, name: str, source: Path) -> Stored:
    digest = hashlib.sha256()
    count = 0
    entry = zipfile.ZipInfo(name)
    entry.compress_type = zipfile.ZIP_DEFLATED
    entry.external_attr = PRIVATE_FILE << 16
    with archive.open(entry, "w", force_zip64=True) as member:
        for chunk in read_chunks(source):
            digest.update(chunk)
            count += len(chunk)
            member.write(chunk)
    return Stored(count, digest.hexdigest())


def _check(archive: zipfile.ZipFile, files: Mapping[str, Mapping[str, Any]]) -> None:
    inside = set(archive.namelist()) - {manifest.NAME}
    for name in sorted(inside ^ set(files)):
        raise _damaged(name, "is not in its list of files, or is missing")
    for name, expected in files.items():
        if not is_inside(name):
            raise _damaged(name, "would be written elsewhere")
        digest = hashlib.sha256()
        count = 0
        try:
            with archive.open(name) as member:
                while count <= expected["bytes"] and (chunk := member.read(CHUNK_BYTES)):
                    digest.update(chunk)
                    count += len(chunk)
        except _BROKEN as error:
            raise _damaged(name, f"can't be read ({error})") from error
        if (count, digest.hexdigest()) != (expected["bytes"], expected["sha256"]):
            raise _damaged(name, "is not as it was written")


def _damaged(name: str, what: str) -> RefusalError:
    return refuse("damaged", field="file", value=name, what=what)
