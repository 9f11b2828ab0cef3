"""The command that changes the product in small: what it changes, and what it says of a toy."""

from __future__ import annotations

import os
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from tests.studies.mutants.changes import changes

ROOT = Path(__file__).resolve().parents[2]
CANNOT_MATTER = ROOT / "tests/studies/mutants/cannot_matter.toml"
TOY = """
LIMIT = 10


def within(n):
    return n < LIMIT


def halvings(n):
    while n > 1:
        n //= 2


def unread(n):
    return n < LIMIT
"""
TESTS = """
import toy


def test_within():
    assert toy.within(9)
    assert not toy.within(10)


def test_halvings():
    toy.halvings(8)


def test_unread():
    toy.unread(9)
"""


def texts(source: str, folder: Path) -> list[str]:
    path = folder / "toy.py"
    path.write_text(source)
    return [change.text for change in changes(path)[1]]


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("x = a < b", {"x = a [< -> <=] b", "x = a [< -> >=] b"}),
        ("x = a and b", {"x = a [and -> or] b", "x = [a and  -> ]b", "x = a[ and b -> ]"}),
        ("x = not a", {"x = [not  -> ]a"}),
        ("x = 5", {"x = [5 -> 6]", "x = [5 -> 4]"}),
        ("x = a + b", {"x = a [+ -> -] b"}),
        ("x = min(a)", {"x = [min -> max](a)"}),
        ("x = f(a, b=c)", {"x = f(a[, b=c -> ])"}),
        ("x = q.filter(b=c)", {"x = q.filter([b=c -> ])", "x = q.[filter -> exclude](b=c)",
                               "x = q[.filter(b=c) -> ]"}),
        ("if a: raise b", {"[if a: -> pass]", "if [ -> not ]a:"}),
        ("f(a)", {"[f(a) -> pass]"}),
        ("@f\ndef g(a=True): return a", {"[@f  -> ]def g(a=True): pass",
                                         "@f def g(a=[True -> False]): pass",
                                         "return [a -> None]"}),
        ("x: int | str = 'a' + f'{1 + 1}'", set()),
        ("assert a < 1", set()),
    ],
)  # fmt: skip
def test_each_line_can_be_changed_so(line: str, expected: set[str], tmp_path: Path):
    assert set(texts(line, tmp_path)) == expected


def test_score_and_survivors_of_a_toy(tmp_path: Path):
    """One change a line: a constant, which import reads, and a result are caught, a loop ends."""
    (tmp_path / "tests").mkdir()
    (tmp_path / "pytest.ini").write_text("[pytest]\naddopts = -p no:django -p no:schemathesis\n")
    (tmp_path / "toy.py").write_text(TOY)
    (tmp_path / "tests/test_toy.py").write_text(TESTS)
    run = subprocess.run(
        [sys.executable, "-m", "tests.studies.mutants", "toy.py", "--seed=1", "--patience=1"],
        env={**os.environ, "PYTHONPATH": str(ROOT)}, cwd=tmp_path,
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert run.stdout.endswith("""\
              changes  cannot matter  judged  caught    score
kernel              0              0       0       0    0.0 %
elsewhere           5              0       5       3   60.0 %
all                 5              0       5       3   60.0 %

failed 2, passed 2, timed out 1

elsewhere  toy.py:10 halvings while n > [1 -> 0]:  (1 of 1 tests)
elsewhere  toy.py:15 unread return n [< -> >=] LIMIT  (1 of 1 tests)
"""), run.stdout + run.stderr


def test_each_change_that_cannot_matter_can_still_be_made_and_has_a_reason():
    for each in tomllib.loads(CANNOT_MATTER.read_text())["change"]:
        found = {(c.function, c.text) for c in changes(ROOT / each["module"])[1]}
        assert (each["function"], each["text"]) in found, each
        assert len(each["reason"]) > 20
