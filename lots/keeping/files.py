"""Files that are whole or not there: written under another name, synced to disk, then renamed."""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Final

from config.refusals import refuse

CHUNK_BYTES: Final = 1 << 20
# Backups and exports hold customers' data: nobody but the owner of the process reads them.
PRIVATE_FILE: Final = 0o600
PRIVATE_FOLDER: Final = 0o700


@dataclass(frozen=True)
class Stored:
    """A file's length and SHA-256."""

    bytes: int
    sha256: str


@contextmanager
def appearing(target: Path) -> Iterator[Path]:
    """A path to write to beside `target`, which appears there when the block ends well.

    What was written is taken away again when it does not. Raises ConflictError `target_exists`;
    InvalidError `no_such_folder`.
    """
    if target.exists() or target.is_symlink():
        raise refuse("target_exists", field="target", value=target)
    if not target.parent.is_dir():
        raise refuse("no_such_folder", field="target", value=target.parent)
    partial = target.with_name(f".{target.name}.{os.getpid()}.partial")
    _remove(partial)
    try:
        yield partial
        partial.rename(target)
        sync_folder(target.parent)
    finally:
        _remove(partial)


def write_file(path: Path, chunks: Iterable[bytes]) -> Stored:
    """Writes a private file, synced to disk."""
    digest = hashlib.sha256()
    count = 0
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, PRIVATE_FILE)
    with os.fdopen(handle, "wb") as file:
        for chunk in chunks:
            digest.update(chunk)
            count += len(chunk)
            file.write(chunk)
        file.flush()
        os.fsync(file.fileno())
    return Stored(count, digest.hexdigest())


def read_chunks(path: Path) -> Iterator[bytes]:
    """The bytes of a file, a chunk at a time."""
    with path.open("rb") as file:
        while chunk := file.read(CHUNK_BYTES):
            yield chunk


def stored(path: Path) -> Stored:
    """A file's length and SHA-256 as they are."""
    return stored_as(read_chunks(path))


def stored_as(chunks: Iterable[bytes]) -> Stored:
    """The length and SHA-256 of bytes that come a chunk at a time."""
    digest = hashlib.sha256()
    count = 0
    for chunk in chunks:
        digest.update(chunk)
        count += len(chunk)
    return Stored(count, digest.hexdigest())


def sync_folder(folder: Path) -> None:
    """Makes the names in a folder last through a power cut, where a folder can be synced at all."""
    if not hasattr(os, "O_DIRECTORY"):  # Windows
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def is_inside(name: str) -> bool:
    """Whether a name from a manifest stays inside its folder."""
    path = PurePosixPath(name)
    return bool(name) and not path.is_absolute() and ".." not in path.parts and "\\" not in name


def _remove(path: Path) -> None:
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)
