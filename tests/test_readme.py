"""The README's commands work, then those of the pages for whoever runs it, in an empty folder."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.conftest import ON_POSTGRESQL
from tests.databases import own_copy
from tests.live_server import ROOT
from tests.readme_runner import steps

# In the order of reading: the later ones work on what the earlier ones made.
PAGES = ("README.md", "docs/access.md", "docs/keeping.md", "docs/running.md")
# Text is read and written in UTF-8 by word, not as the system would; openpyxl's rows are ASCII.
BY_WORD = (
    *("-X", "warn_default_encoding", "-W", "error::EncodingWarning"),
    *("-W", "ignore::EncodingWarning:openpyxl.worksheet._writer"),
)
# Said after the pages' own commands, so that the same run shows that a failing one is found.
FAULTY = "\n`manage.py month_end 2026-13`\n"


@pytest.mark.skipif(ON_POSTGRESQL, reason="a reader begins on SQLite")
def test_every_command_of_the_pages_works_and_one_that_does_not_is_named(
    django_db_setup: None, django_db_blocker: Any, tmp_path: Path
) -> None:
    given = tmp_path / "README.md"
    given.write_text("\n".join((ROOT / page).read_text() for page in PAGES) + FAULTY)
    with django_db_blocker.unblock(), own_copy(tmp_path):
        done = subprocess.run(
            [
                sys.executable,
                *BY_WORD,
                ROOT / "tests/readme_runner.py",
                given,
                tmp_path,
                "ledger.sqlite3",
            ],
            cwd=tmp_path,
            env={"PATH": os.environ["PATH"], "HOME": str(tmp_path)},
            check=False,
            capture_output=True,
            text=True,
            timeout=300,
        )
    ended = done.stdout.splitlines()[-1]
    assert ended == "ended with 1: .venv/bin/python manage.py month_end 2026-13", (
        done.stdout[-3000:] + done.stderr[-3000:]
    )
    assert done.returncode == 1
    assert done.stderr.endswith("This is not a month. Write year and month, as in 2026-05.\n")


def test_what_is_read_as_a_command_and_where_it_runs() -> None:
    readme = """
```sh
python3 -m venv .venv && mkdir -p there && .venv/bin/python manage.py demo --port 8001  # serves
export A=there
B=1 .venv/bin/python manage.py check_ledger
unset A
```
`README.md` and `manage.py` alone are none. `manage.py
demo` is said again, `manage.py check_ledger` elsewhere.

```
manage.py is quoted here
```
"""
    python = [".venv/bin/python", "manage.py"]
    assert list(steps(readme, {})) == [
        ({}, ["mkdir", "-p", "there"]),
        ({"DATA_DIR": "var/demo"}, [*python, "demo", "--in-place", "--no-serve"]),
        ({"A": "there", "B": "1"}, [*python, "check_ledger"]),
        ({}, [*python, "check_ledger"]),
    ]
