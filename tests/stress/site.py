"""A site of its own for a driver: a new database, the works' cast, and a server that can be killed.

Everything is on loopback and in a folder the driver names; nothing else is touched.
"""

from __future__ import annotations

import os
import resource
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from itertools import cycle
from pathlib import Path
from types import SimpleNamespace
from typing import Final

ROOT: Final = Path(__file__).resolve().parents[2]
PASSWORD: Final = "granules-to-crystal-26"
START_S_MAX: Final = 60


def prepare(folder: Path, database: str) -> SimpleNamespace:
    """Points Django at a new database, builds the tests' cast in it and gives everyone a password.

    `database` is a URL, or empty for SQLite in `folder`. A PostgreSQL database named in it is made
    again, so it must not be one that matters.
    """
    os.environ["DATA_DIR"] = str(folder)
    os.environ["DATABASE_URL"] = database or f"sqlite:///{folder / 'ledger.sqlite3'}"
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    os.environ.setdefault("LOG_LEVEL", "ERROR")
    if database:
        _make_anew(database)
    import django  # noqa: PLC0415 - only now do the settings say which database

    django.setup()
    from django.contrib.auth import get_user_model  # noqa: PLC0415
    from django.core.management import call_command  # noqa: PLC0415
    from django.db import connections  # noqa: PLC0415

    from tests.conftest import build_works  # noqa: PLC0415

    call_command("migrate", verbosity=0)
    works = build_works()
    for user in get_user_model().objects.all():
        user.set_password(PASSWORD)
        user.save()
    # The driver asks the database again at the end; until then the server has it for itself.
    connections.close_all()
    return works


def _make_anew(database: str) -> None:
    import psycopg  # noqa: PLC0415 - SQLite needs none

    base, name = database.rsplit("/", 1)
    with psycopg.connect(f"{base}/postgres", autocommit=True) as connection:
        connection.execute(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)')
        connection.execute(f'CREATE DATABASE "{name}"')


class Site:
    """Two servers over the prepared database: started, killed at any moment, started again."""

    def __init__(self, folder: Path, *, servers: int = 2, threads: int = 4) -> None:
        self._addresses = [f"127.0.0.1:{_free_port()}" for _ in range(servers)]
        self._in_turn = cycle(self._addresses)
        self.log = folder / "server.log"
        self._folder = folder
        self._threads = threads
        self._processes: list[subprocess.Popen[bytes]] = []

    @property
    def address(self) -> str:
        """Of the servers in turn."""
        return f"http://{next(self._in_turn)}"

    def start(self, file_bytes_max: int | None = None) -> None:
        """Returns when they answer. With `file_bytes_max` no file of theirs can outgrow that."""

        def limit() -> None:
            if file_bytes_max is not None:
                signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
                resource.setrlimit(resource.RLIMIT_FSIZE, (file_bytes_max, file_bytes_max))

        environment = {**os.environ, "WEB_THREADS": str(self._threads), "LOG_LEVEL": "WARNING"}
        with self.log.open("ab") as log:
            self._processes = [
                subprocess.Popen(
                    [sys.executable, "manage.py", "serve", "--bind", address],
                    cwd=ROOT,
                    env=environment,
                    stdout=log,
                    stderr=log,
                    start_new_session=True,
                    preexec_fn=limit,  # noqa: PLW1509 - no thread of ours runs yet when it is used
                )
                for address in self._addresses
            ]
        until = time.monotonic() + START_S_MAX
        while not all(_answers(address) for address in self._addresses):
            if time.monotonic() > until:
                raise TimeoutError(f"the server did not answer in {START_S_MAX} s: see {self.log}")
            time.sleep(0.05)

    def kill(self) -> None:
        """SIGKILL to the servers, whatever they are doing."""
        for process in self._processes:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()
        self._processes = []

    def largest_file_bytes(self) -> int:
        """Of the files in its folder, the database among them."""
        return max(path.stat().st_size for path in self._folder.rglob("*") if path.is_file())


def _answers(address: str) -> bool:
    try:
        urllib.request.urlopen(f"http://{address}/sign-in/", timeout=5).close()
    except (urllib.error.URLError, OSError):
        return False
    return True


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
