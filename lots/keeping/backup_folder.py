"""Where the daily backups go: the folder chosen, its passphrase, and the backups that lie there.

Both belong to this machine and not to the books, so they are kept beside the database in a private
file: a backup is possible before a migration, and none holds the passphrase that opens it.
"""

from __future__ import annotations

import datetime as dt
import json
import logging
import os
import re
import secrets
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Final

from django.conf import settings
from django.utils.crypto import get_random_string

from config.refusals import refuse
from lots import clock
from lots.keeping.backup import back_up
from lots.keeping.daily_plan import to_drop
from lots.keeping.encryption import decrypt, decrypted, encrypted, is_encrypted
from lots.keeping.files import appearing, read_chunks, stored, stored_as, write_file
from lots.keeping.restore import verify_backup
from lots.queries.works_zone import works_zone

PASSPHRASE_LEAST: Final = 16
# No two signs that look alike; 24 of 30 are 117 bits.
_SIGNS: Final = "23456789abcdefghjkmnpqrstuvwxyz"
_GROUP, _GROUPS = 4, 6
_STAMP: Final = "%Y%m%dT%H%M%SZ"
logger = logging.getLogger(__name__)


@dataclass(frozen=True)
class Choice:
    """What was chosen on this machine, by whom and when. Without a passphrase nothing is encrypted.

    `mark` tells this site's backups from those of another in the same folder.
    """

    mark: str
    folder: str = ""
    passphrase: str = ""
    chosen_at: str = ""
    chosen_by: str = ""

    @property
    def path(self) -> Path:
        """The folder; until one is chosen, one beside the database."""
        return Path(self.folder) if self.folder else settings.DATA_DIR / "backups"


@dataclass(frozen=True)
class Kept:
    """The last verified backup in the folder, and whether the folder is there at all."""

    choice: Choice
    is_there: bool
    last: Path | None
    last_at: dt.datetime | None


def choice() -> Choice:
    """What was chosen; nothing yet in a new DATA_DIR."""
    try:
        return Choice(**json.loads(_file().read_text("utf-8")))
    except FileNotFoundError:
        return Choice(mark=secrets.token_hex(3))


def choose_folder(folder: str, *, passphrase: str | None, by: str) -> Choice:
    """From now on the daily backup goes to `folder`, encrypted unless the passphrase is empty.

    None keeps the passphrase there is. Backups made before stay as they are. Raises InvalidError
    `no_such_folder`, `folder_of_the_site`, `folder_not_written`, `passphrase_short`.
    """
    path = Path(folder)
    if not path.is_absolute() or not path.is_dir():
        raise refuse("no_such_folder:backup", field="folder", value=folder)
    own = (settings.DATA_DIR, settings.BASE_DIR, settings.STATIC_ROOT, settings.MEDIA_ROOT)
    if any(path.resolve().is_relative_to(Path(each).resolve()) for each in own):
        raise refuse("folder_of_the_site", field="folder", value=folder)
    if passphrase and len(passphrase) < PASSPHRASE_LEAST:
        raise refuse("passphrase_short", field="passphrase", least=PASSPHRASE_LEAST)
    try:
        with tempfile.TemporaryFile(dir=path) as file:
            file.write(b"tried")
    except OSError as error:
        raise refuse("folder_not_written", field="folder", value=folder, said=error) from error
    before = choice()
    chosen = replace(
        before,
        folder=str(path),
        passphrase=before.passphrase if passphrase is None else passphrase,
        chosen_at=clock.now().isoformat(timespec="seconds"),
        chosen_by=by,
    )
    _keep(chosen)
    logger.warning("the folder for backups was chosen by %s", by)
    return chosen


def proposed_passphrase() -> str:
    """A passphrase that nobody can guess, easy to write down."""
    return "-".join(get_random_string(_GROUP, _SIGNS) for _ in range(_GROUPS))


def kept() -> Kept:
    """What lies in the folder now. Only what was verified appears there under its name."""
    chosen = choice()
    found = _backups(chosen)
    last_at = max(found, default=None)
    return Kept(chosen, chosen.path.is_dir(), found[last_at] if last_at else None, last_at)


def back_up_verified(*, anywhere: bool = False) -> Path:
    """Puts a backup into the folder, read back whole, and drops those whose time is over.

    With `anywhere` it goes beside the database when the folder is not there. Raises what `back_up`
    and `verify_backup` raise; ConflictError `backup_differs`; OSError when a disk won't.
    """
    chosen = choice()
    if anywhere and not chosen.path.is_dir():
        chosen = replace(chosen, folder="")
    if not chosen.folder:
        chosen.path.mkdir(parents=True, exist_ok=True)
    if not _file().exists():
        _keep(chosen)
    name = f"ledger-{chosen.mark}-{clock.now():{_STAMP}}.backup"
    target = chosen.path / (f"{name}.age" if chosen.passphrase else name)
    with (
        appearing(target) as partial,
        tempfile.TemporaryDirectory(prefix=".backup.", dir=settings.DATA_DIR) as room,
    ):
        plain = Path(room) / name
        back_up(plain)
        found = verify_backup(plain)
        if found.differing:
            raise refuse("backup_differs", field="file", found=", ".join(found.differing))
        write_file(
            partial,
            encrypted(plain, chosen.passphrase) if chosen.passphrase else read_chunks(plain),
        )
        if stored_as(_read_back(partial, chosen.passphrase)) != stored(plain):
            raise refuse("backup_differs", field="file", found="the file as written")
    # Else a sound one of before may be wanted, and before a migration there may be no zone.
    if found.restored.is_current and not found.unsound:
        _drop_old(chosen)
    return target


@contextmanager
def readable(path: Path, ask: Callable[[], str]) -> Iterator[Path]:
    """A backup as a file that isn't encrypted, there only inside the block.

    The passphrase comes from BACKUP_PASSPHRASE, or from whom `ask` asks. Raises ForbiddenError
    `wrong_passphrase`, InvalidError `damaged`, `passphrase_needed`.
    """
    if not is_encrypted(path):
        yield path
        return
    passphrase = os.environ.get("BACKUP_PASSPHRASE") or ask()
    if not passphrase:
        raise refuse("passphrase_needed", field="passphrase")
    with tempfile.TemporaryDirectory(prefix="restore.") as room:
        plain = Path(room) / "plain.backup"
        decrypt(path, passphrase, plain)
        yield plain


def _read_back(path: Path, passphrase: str) -> Iterator[bytes]:
    return decrypted(path, passphrase) if passphrase else read_chunks(path)


def _drop_old(chosen: Choice) -> None:
    found = _backups(chosen)
    for moment in to_drop(found, works_zone()):
        found[moment].unlink(missing_ok=True)


def _backups(chosen: Choice) -> dict[dt.datetime, Path]:
    """This site's backups in the folder by their moments; none when it can't be read."""
    name = re.compile(rf"ledger-{chosen.mark}-(\d{{8}}T\d{{6}}Z)\.backup(\.age)?")
    found = {}
    with suppress(OSError):
        for path in chosen.path.iterdir():
            if match := name.fullmatch(path.name):
                moment = dt.datetime.strptime(match[1], _STAMP).replace(tzinfo=dt.UTC)
                found[moment] = path
    return found


def _keep(chosen: Choice) -> None:
    partial = _file().with_suffix(f".{os.getpid()}.partial")
    partial.unlink(missing_ok=True)
    write_file(partial, [json.dumps(asdict(chosen), indent=1).encode() + b"\n"])
    partial.replace(_file())


def _file() -> Path:
    return Path(settings.DATA_DIR) / "backups.json"
