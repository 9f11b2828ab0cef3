"""The works' signing key: a private file outside the database, and the list of its public keys.

`signing_keys.json` beside it lists every public key with the days it was in use; that list is what
others are given to verify with.
"""

from __future__ import annotations

import json
import os
import secrets
import stat
from dataclasses import asdict, dataclass
from pathlib import Path

from django.conf import settings

from config.refusals import refuse
from lots import clock
from lots.keeping.files import write_file
from reports.signatures import fingerprint_of, public_key_of

_KEY_BYTES = 32


@dataclass(frozen=True)
class ListedKey:
    """One public key of the works; `until` is empty while it is in use."""

    public_key: str
    fingerprint: str
    since: str
    until: str = ""


def key_path() -> Path:
    return Path(settings.SIGNING_KEY_FILE)


def list_path() -> Path:
    return key_path().with_name("signing_keys.json")


def private_key() -> bytes | None:
    """The key in use, or None when the works has none.

    Raises ConflictError `signing_key_open` when others may read it, `signing_key_broken`.
    """
    path = key_path()
    if not path.exists():
        return None
    if stat.S_IMODE(path.stat().st_mode) & 0o077:
        raise refuse("signing_key_open", field="signing_key")
    try:
        key = bytes.fromhex(path.read_text("utf-8").strip())
    except (OSError, ValueError):
        key = b""
    if len(key) != _KEY_BYTES:
        raise refuse("signing_key_broken", field="signing_key")
    return key


def make_signing_key(*, replace: bool = False) -> ListedKey:
    """Makes a key, private to its owner, and lists its public half.

    With `replace` the old private key is destroyed; statements it signed stay verifiable by its
    public key, whose last day is listed. Raises ConflictError `signing_key_exists`.
    """
    path = key_path()
    if path.exists() and not replace:
        raise refuse("signing_key_exists", field="signing_key", path=path)
    path.parent.mkdir(parents=True, exist_ok=True)
    now = clock.now().isoformat(timespec="seconds")
    key = secrets.token_bytes(_KEY_BYTES)
    public = public_key_of(key)
    made = ListedKey(public, fingerprint_of(public), since=now)
    earlier = [
        each if each.until else ListedKey(each.public_key, each.fingerprint, each.since, now)
        for each in listed_keys(list_path())
    ]
    # The list first: a key that signs is always a listed one.
    _write(list_path(), json.dumps([asdict(each) for each in [*earlier, made]], indent=1))
    list_path().chmod(0o644)
    _write(path, key.hex())
    return made


def listed_keys(path: Path) -> list[ListedKey]:
    """The public keys of a list, oldest first; none where there is no list.

    Raises InvalidError `not_readable`.
    """
    if not path.exists():
        return []
    try:
        return [ListedKey(**each) for each in json.loads(path.read_text("utf-8"))]
    except (OSError, ValueError, TypeError) as error:
        raise refuse("not_readable:signing_key", field="keys", value=path) from error


def _write(path: Path, text: str) -> None:
    partial = path.with_name(f".{path.name}.{os.getpid()}.partial")
    partial.unlink(missing_ok=True)
    write_file(partial, [text.encode(), b"\n"])
    partial.replace(path)
