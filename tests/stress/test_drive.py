"""The driver in its short form: many at once, then the same with things going wrong."""

from __future__ import annotations

import subprocess
import sys

import pytest
from django.conf import settings

from tests.conftest import ON_POSTGRESQL
from tests.stress.site import ROOT

pytestmark = pytest.mark.stress

WRONG = ("--kills", "4", "--cuts", "6") if ON_POSTGRESQL else ("--kills", "4", "--fills", "1")


@pytest.mark.parametrize("wrong", [(), WRONG])
def test_nothing_is_lost_and_nothing_comes_twice(wrong: tuple[str, ...]) -> None:
    command = [sys.executable, "-m", "tests.stress.drive", "--writers", "4", "--requests", "25"]
    if ON_POSTGRESQL:
        database = settings.DATABASES["default"]
        user, host, port = (database.get(name) for name in ("USER", "HOST", "PORT"))
        command += ["--database", f"postgres://{user}@{host}:{port}/parting_ledger_drill"]
    done = subprocess.run([*command, *wrong], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr[-2000:]
    assert "lost, doubled or unsound: 0" in done.stdout
