"""No command and no server starts that was told another zone than the books are kept in."""

from __future__ import annotations

import importlib
import os
import subprocess
import sys
from typing import Any

import pytest
from django.core.exceptions import ImproperlyConfigured

from config import wsgi
from tests.live_server import ROOT, database_url

KEPT, OTHER = "Europe/Amsterdam", "Pacific/Auckland"
DO = "Unset it, or set it to Europe/Amsterdam."


def test_a_server_stops_and_says_what_to_do(
    emptied_database: None, keep_time_in: Any, settings: Any
) -> None:
    keep_time_in(KEPT)
    settings.WORKS_TIME_ZONE = OTHER
    with pytest.raises(ImproperlyConfigured, match=DO):
        importlib.reload(wsgi)
    for name in ("", KEPT):
        settings.WORKS_TIME_ZONE = name
        importlib.reload(wsgi)


def test_a_command_stops_and_says_what_to_do(emptied_database: None, keep_time_in: Any) -> None:
    keep_time_in(KEPT)
    environment = {**os.environ, "DATABASE_URL": database_url()}
    told = {name: month_end({**environment, "WORKS_TIME_ZONE": name}) for name in (OTHER, KEPT, "")}
    assert told[OTHER].returncode == 1
    assert DO in told[OTHER].stderr
    assert told[OTHER].stdout == ""
    for name in (KEPT, ""):
        assert (told[name].returncode, told[name].stderr) == (0, "")
    assert told[KEPT].stdout == told[""].stdout != ""


def month_end(environment: dict[str, str]) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "manage.py", "month_end", "2026-05"],
        cwd=ROOT,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )


def test_a_database_without_tables_is_for_the_command_to_tell(tmp_path: Any) -> None:
    environment = {
        **os.environ,
        "DATABASE_URL": f"sqlite:///{tmp_path / 'new.sqlite3'}",
        "WORKS_TIME_ZONE": OTHER,
    }
    command = [sys.executable, "manage.py", "check"]
    subprocess.run(command, cwd=ROOT, env=environment, check=True, timeout=120, capture_output=True)
