"""The site as it is served: its server in a process of its own, over the test's own database."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from django.conf import settings
from django.db import connection

ROOT = Path(__file__).resolve().parents[1]
START_SECONDS_MAX = 60


@dataclass(frozen=True)
class LiveServer:
    """Where it answers, where its lines go, and the environment it runs in."""

    address: str
    log: Path
    environment: dict[str, str]
    process: subprocess.Popen[bytes]

    @property
    def bound_to(self) -> tuple[str, int]:
        host, _, port = self.address.removeprefix("http://").partition(":")
        return host, int(port)

    def lines(self) -> list[dict[str, Any]]:
        return [
            json.loads(line) for line in self.log.read_text().splitlines() if line.startswith("{")
        ]


@contextmanager
def served(folder: Path, **environment: str) -> Iterator[LiveServer]:
    """The site on a free port of this machine, stopped by SIGTERM afterwards.

    The test must have a database of its own (`emptied_database`), which another process can open.
    """
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    environment = {
        **os.environ,
        "DATABASE_URL": database_url(),
        "DATA_DIR": str(folder / "data"),
        "SECRET_KEY": settings.SECRET_KEY,
        "BIND": f"127.0.0.1:{port}",
        "DEBUG": "0",
        **environment,
    }
    (folder / "data").mkdir(exist_ok=True)
    log = folder / "server.log"
    command = [sys.executable, "manage.py", "serve"]
    with log.open("wb") as lines:
        process = subprocess.Popen(command, cwd=ROOT, env=environment, stdout=lines, stderr=lines)
    try:
        address = f"http://127.0.0.1:{port}"
        _wait_until_ready(f"{address}/health/ready", process, log)
        yield LiveServer(address, log, environment, process)
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(timeout=40)


def database_url() -> str:
    """The test's database as another process opens it."""
    database = connection.settings_dict
    if connection.vendor == "sqlite":
        return f"sqlite:///{database['NAME']}"
    where = f"{database['HOST']}:{database['PORT'] or 5432}"
    secret = f":{database['PASSWORD']}" if database["PASSWORD"] else ""
    return f"postgres://{database['USER']}{secret}@{where}/{database['NAME']}"


def _wait_until_ready(address: str, process: subprocess.Popen[bytes], log: Path) -> None:
    deadline = time.monotonic() + START_SECONDS_MAX
    while time.monotonic() < deadline:
        assert process.poll() is None, log.read_text()
        try:
            with urllib.request.urlopen(address, timeout=20) as answer:
                assert answer.status == 200
                return
        except (urllib.error.URLError, OSError):
            time.sleep(0.1)
    raise AssertionError(log.read_text())
