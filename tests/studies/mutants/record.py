"""A pytest plugin that records which test runs which line; it measures from its import on."""

from __future__ import annotations

import json
import os
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from coverage import Coverage

from tests.studies.mutants.plain import empty_caches, import_all
from tests.studies.mutants.seen import IMPORTED, ONCE, SHARED

FOLDER = Path(os.environ["MUTANTS_SEEN"])
LINES = Coverage(
    data_file=str(FOLDER / "lines"), data_suffix=True, source=["."], config_file=False,
    omit=["tests/*", "*/migrations/*", ".*", "var/*", "build/*"],
)  # fmt: skip
LINES.set_option("run:relative_files", True)
LINES.start()
TESTS: dict[str, tuple[float, list[str]]] = {}
FAILED: set[str] = set()
CONTEXTS = [IMPORTED]
SECONDS: dict[str, float] = defaultdict(float)
SINCE = [0.0]


def pytest_collection_finish() -> None:
    import_all()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: Any) -> Iterator[None]:
    empty_caches()
    defined = [d for each in item._fixtureinfo.name2fixturedefs.values() for d in each]
    with _context(item.nodeid):
        result = yield
    TESTS[item.nodeid] = (SECONDS[item.nodeid], [*filter(None, map(_shared, defined))])
    return result


@pytest.hookimpl(wrapper=True)
def pytest_fixture_setup(fixturedef: Any) -> Iterator[None]:
    with _context(_shared(fixturedef) or CONTEXTS[-1]):
        return (yield)


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    if report.failed:
        FAILED.add(report.nodeid)


def pytest_sessionfinish() -> None:
    LINES.stop()
    LINES.save()
    passed = {name: test for name, test in TESTS.items() if name not in FAILED}
    (FOLDER / f"tests.{os.getpid()}.json").write_text(json.dumps(passed))


def _shared(fixturedef: Any) -> str | None:
    """The name under which the lines of a fixture of more than one test are recorded."""
    if fixturedef.scope == "function":
        return None
    start = ONCE if fixturedef.scope == "session" else SHARED
    return f"{start}{fixturedef.baseid}::{fixturedef.argname}"


@contextmanager
def _context(name: str) -> Iterator[None]:
    """Lines and CPU seconds count for `name` inside, and afterwards for the one before again."""
    _switch(name)
    CONTEXTS.append(name)
    yield
    _switch(CONTEXTS[-2])
    CONTEXTS.pop()


def _switch(name: str) -> None:
    now = sum(os.times()[:4])
    SECONDS[CONTEXTS[-1]] += now - SINCE[0]
    SINCE[0] = now
    LINES.switch_context(name)
