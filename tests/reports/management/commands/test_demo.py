"""`manage.py demo` keeps its data apart; `tests/test_readme.py` runs all of it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from django.core.management import call_command


class StartedAgainError(Exception):
    """Stands in for the process that the demo becomes."""


def test_it_starts_again_with_its_data_in_a_new_folder_of_its_own(
    monkeypatch: pytest.MonkeyPatch, settings: Any, tmp_path: Path
) -> None:
    def start(words: list[str], env: dict[str, str], check: bool) -> None:
        assert words == [sys.executable, "manage.py", "demo", "--no-serve", "--in-place"]
        assert env["DATA_DIR"] == str(tmp_path / "demo")
        assert not {"DATABASE_URL", "SIGNING_KEY_FILE"} & set(env)
        raise StartedAgainError

    settings.DATA_DIR = tmp_path
    (tmp_path / "demo").mkdir()
    (tmp_path / "ledger.sqlite3").touch()
    monkeypatch.setattr(subprocess, "run", start)
    monkeypatch.setattr(sys, "argv", ["manage.py", "demo", "--no-serve"])
    monkeypatch.setenv("DATABASE_URL", "postgres://someone@127.0.0.1/theirs")
    monkeypatch.setenv("SIGNING_KEY_FILE", "theirs.key")
    with pytest.raises(StartedAgainError):
        call_command("demo", no_serve=True)
    assert [each.name for each in tmp_path.iterdir()] == ["ledger.sqlite3"]
