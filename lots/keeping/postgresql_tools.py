"""PostgreSQL's own tools for a dump and its restoring, called with this database's settings."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from django.db import connection

from config.refusals import refuse

# Settings of a connection that the tools read from the environment.
_PASSED_ON: Final = {
    "sslmode": "PGSSLMODE",
    "sslrootcert": "PGSSLROOTCERT",
    "sslcert": "PGSSLCERT",
    "sslkey": "PGSSLKEY",
    "options": "PGOPTIONS",
    "service": "PGSERVICE",
}


def dump(target: Path, snapshot: str) -> None:
    """Writes the whole database, as the exported snapshot sees it, in the custom format."""
    _run(
        "pg_dump",
        [
            "--format=custom",
            "--no-owner",
            "--no-privileges",
            f"--snapshot={snapshot}",
            f"--file={target}",
            f"--dbname={connection.settings_dict['NAME']}",
        ],
    )


def restore(source: Path, *, name: str, replacing: bool) -> None:
    """Reads a dump into a database in one transaction: all of it or nothing."""
    _run(
        "pg_restore",
        [
            "--single-transaction",
            "--exit-on-error",
            "--no-owner",
            "--no-privileges",
            *(["--clean", "--if-exists"] if replacing else []),
            f"--dbname={name}",
            str(source),
        ],
    )


def plain_name(name: str) -> str:
    """A name quoted for SQL."""
    return connection.ops.quote_name(name)


def _run(tool: str, arguments: Sequence[str]) -> None:
    found = shutil.which(tool)
    if found is None:
        raise refuse("tool_missing", field="database", value=tool)
    settings = connection.settings_dict
    where = [
        f"--{option}={settings[key]}"
        for option, key in (("host", "HOST"), ("port", "PORT"), ("username", "USER"))
        if settings.get(key)
    ]
    environment = dict(os.environ)
    if settings.get("PASSWORD"):
        environment["PGPASSWORD"] = str(settings["PASSWORD"])
    for option, variable in _PASSED_ON.items():
        if settings.get("OPTIONS", {}).get(option):
            environment[variable] = str(settings["OPTIONS"][option])
    done = subprocess.run(  # noqa: S603 - the tool's full path, and arguments of our own making
        [found, "--no-password", *where, *arguments],
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        said = " ".join(done.stderr.split())[:400]
        raise refuse("tool_failed", field="database", value=tool, said=said)
