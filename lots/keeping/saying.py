"""How the commands of this shelf tell refusals, and what they must warn of."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from getpass import getpass

from django.core.management.base import CommandError, OutputWrapper

from config.refusals import RefusalError


@contextmanager
def said_plainly() -> Iterator[None]:
    """A refusal, or a disk that won't, ends the command with exit code 1 and plain words."""
    try:
        yield
    except RefusalError as refusal:
        raise CommandError(f"{refusal.message} {refusal.remedy}") from refusal
    except OSError as error:
        raise CommandError(f"A file can't be read or written: {error}") from error


def warn_of_missing(missing: Sequence[str], stderr: OutputWrapper) -> None:
    """Papers that rows name and that are not in DATA_DIR: the rest is still worth keeping."""
    for name in missing:
        stderr.write(f"Missing, and so not kept: {name}")


def ask_passphrase() -> str:
    """What somebody types unseen; nothing where nobody can be asked."""
    return getpass("Passphrase of the backup: ") if sys.stdin.isatty() else ""
