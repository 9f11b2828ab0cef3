"""A database for one benchmark, thrown away afterwards, and a process that has it for its own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit, urlunsplit

ROOT = Path(__file__).resolve().parents[2]


@contextmanager
def database(server: str) -> Iterator[str]:
    """The address of an empty database: a temporary SQLite file, or a new one on the server."""
    if not server:
        with tempfile.TemporaryDirectory(prefix="ledger-bench-") as folder:
            yield f"sqlite:///{folder}/bench.sqlite3"
        return
    import psycopg  # noqa: PLC0415 only when a server is asked for

    name = f"ledger_bench_{os.getpid()}"
    parts = urlsplit(server)
    with psycopg.connect(server, autocommit=True) as admin:
        admin.execute(f'CREATE DATABASE "{name}"')
        try:
            yield urlunsplit(parts._replace(path=f"/{name}"))
        finally:
            admin.execute(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)')


def in_child(script: str, arguments: Sequence[str], url: str) -> dict[str, Any]:
    """What the script prints as JSON. Settings are read once a process, hence one of its own."""
    environment = {
        **os.environ,
        "DATABASE_URL": url,
        "DJANGO_SETTINGS_MODULE": "config.settings",
        "SECRET_KEY": "for a benchmark only",
        "PYTHONPATH": str(ROOT),
    }
    answer = subprocess.run(
        [sys.executable, script, *arguments],
        env=environment,
        cwd=ROOT,
        stdout=subprocess.PIPE,
        check=True,
    )
    figures: dict[str, Any] = json.loads(answer.stdout)
    return figures
