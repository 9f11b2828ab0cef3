"""A pytest plugin that tries changes instead of running tests: each in a fork of this process.

By then Django, the tests and the test database stand ready, so that a trial costs its tests only.
The changed code is put into the functions that are there. What runs at import can't be changed so:
such a module is written into a private copy of the project, where a new process runs the tests.
"""

from __future__ import annotations

import ast
import gc
import json
import os
import re
import resource
import shutil
import signal
import subprocess
import sys
from collections import defaultdict
from contextlib import suppress
from importlib.util import cache_from_source
from pathlib import Path
from time import monotonic
from traceback import format_exc
from types import CodeType, FunctionType
from typing import Any

import pytest
from _pytest.runner import runtestprotocol
from django.conf import settings
from django.db import connections

from tests.studies.mutants.changes import changes
from tests.studies.mutants.plain import empty_caches, import_all
from tests.studies.mutants.seen import ALWAYS

PASSED, FAILED, NO_TEST = "passed", "failed", "no test"
TIMED_OUT, CRASHED, NO_START = "timed out", "crashed", "does not start"
NOT_HERE, BROKEN = "not here", "broken"  # the change can't be made so, and this file is wrong
ANSWER = "answer: "  # before each in the process's output
MEMORY = 8 << 30  # bytes a trial may take
WAITING = 6  # times the CPU seconds of a test that it may take by the clock
START_S = 90  # seconds that a new process may take to make its database
Codes = dict[tuple[str, int], CodeType]
Said = tuple[str, str]  # the outcome, and the test that failed


def pytest_runtestloop(session: pytest.Session) -> bool:
    orders = json.loads(Path(os.environ["MUTANTS_ORDERS"]).read_text())
    bench = _Bench(session, orders)
    for order in orders["changes"]:
        answer = order | bench.judge(order)
        sys.stdout.write(f"\n{ANSWER}{json.dumps(answer)}\n")
        sys.stdout.flush()
    return True


class _Bench:
    def __init__(self, session: pytest.Session, orders: dict[str, Any]) -> None:
        self.session, self.orders = session, orders
        self.items = {item.nodeid: item for item in session.items}
        self.sound: dict[tuple[str, bool], bool] = {}
        import_all()
        self._make_database()
        self.functions: dict[tuple[str, str, int], list[FunctionType]] = defaultdict(list)
        for each in gc.get_objects():
            if type(each) is FunctionType:
                code = each.__code__
                self.functions[code.co_filename, code.co_qualname, code.co_firstlineno].append(each)
        empty_caches()
        gc.collect()
        gc.freeze()  # or each child would copy most of the memory to mark what is in use

    def _make_database(self) -> None:
        """Runs one test of the database, and keeps what was set up for the whole session."""
        for item in self.session.items:
            defined = item._fixtureinfo.name2fixturedefs  # type: ignore[attr-defined]
            shared = {name for name, each in defined.items() if each[-1].scope != "function"}
            own = {name for name in shared if defined[name][-1].baseid}
            other = next((each for each in self.session.items if each.path != item.path), None)
            if "django_db_setup" in shared and not own and other:
                for each in runtestprotocol(item, log=False, nextitem=other):
                    assert not each.failed, each.longreprtext
                return

    def judge(self, order: dict[str, Any]) -> dict[str, Any]:
        """Who catches the change. A test that fails without it too is not asked."""
        path, start = Path(order["module"]), monotonic()
        tree, found = changes(path)
        before = compile(tree, str(path), "exec", dont_inherit=True)
        with found[order["number"]].made():
            after = compile(ast.fix_missing_locations(tree), str(path), "exec", dont_inherit=True)
            source = ast.unparse(tree)
        codes: Codes = {}
        early = order["early"] or not _pair(before, after, codes)
        tests = [name for name in order["tests"] if name in self.items]
        said = (NO_TEST, "")
        while tests:
            said = self._fresh(tests, path, source) if early else self._forked(tests, path, codes)
            if said[0] == NOT_HERE:
                early = True
            elif said[0] not in {FAILED, NO_START} or self._is_sound(said[1], tests, early):
                break
            else:
                tests = [name for name in tests if not _is_meant(name, said[1])]
        else:
            said = (NO_TEST, "")
        del order["tests"]
        return {"outcome": said[0], "by": said[1], "ran": len(tests), "s": monotonic() - start}

    def _is_sound(self, name: str, tests: list[str], early: bool) -> bool:
        """Whether the test passes, or the process starts, when nothing is changed."""
        if (name, early) not in self.sound:
            asked = [each for each in tests if _is_meant(each, name)][:1]
            said = self._fresh(asked) if early else self._forked(asked)
            self.sound[name, early] = said[0] == PASSED
        return self.sound[name, early]

    def _limit_s(self, test: str) -> int:
        """CPU seconds after which a test is endless; on a busy machine the clock shows more."""
        return int(self.orders["patience"] + 5 * self.orders["seconds"][test])

    def _forked(self, tests: list[str], path: Path = Path(), codes: Codes | None = None) -> Said:
        if settings.configured:
            for connection in connections.all(initialized_only=True):
                connection.close()  # which leaves a database in memory as it is
        reading, writing = os.pipe()
        child = os.fork()
        if not child:
            try:
                os.setsid()
                for stream in (1, 2):
                    os.dup2(os.open(os.devnull, os.O_WRONLY), stream)
                resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
                os.write(writing, json.dumps(self._run(tests, path, codes or {})).encode())
            except Exception:
                os.write(writing, json.dumps((BROKEN, format_exc())).encode())
            finally:
                os._exit(0)
        os.close(writing)
        with os.fdopen(reading) as pipe:
            said = pipe.read()
        _, status = os.waitpid(child, 0)
        _end(child)
        late = os.WIFSIGNALED(status) and os.WTERMSIG(status) in {signal.SIGXCPU, signal.SIGALRM}
        died = f"exit code {os.waitstatus_to_exitcode(status)}"
        outcome, name = json.loads(said) if said else (TIMED_OUT if late else CRASHED, died)
        if outcome == BROKEN:
            raise RuntimeError(name)
        return outcome, name

    def _run(self, tests: list[str], path: Path, codes: Codes) -> Said:
        changed = [
            (function, code)
            for place, code in codes.items()
            for function in self.functions[str(path.resolve()), *place]
        ]
        if any(function.__code__.co_freevars != code.co_freevars for function, code in changed) or (
            codes and not changed
        ):
            return NOT_HERE, ""
        for function, code in changed:
            function.__code__ = code
        empty_caches()
        items = [self.items[name] for name in tests]
        # The last needs a next one too, or the session's own fixtures would be taken down.
        after = next((each for each in self.session.items if each is not items[-1]), None)
        self.session._setupstate.teardown_exact(items[0])
        for item, following in zip(items, [*items[1:], after], strict=True):
            limit = self._limit_s(item.nodeid)
            used = int(sum(os.times()[:2]))
            resource.setrlimit(resource.RLIMIT_CPU, (used + limit, resource.RLIM_INFINITY))
            signal.alarm(WAITING * limit)
            if any(each.failed for each in runtestprotocol(item, log=False, nextitem=following)):
                return FAILED, item.nodeid
        return PASSED, ""

    def _fresh(self, tests: list[str], path: Path = Path(), source: str = "") -> Said:
        copy = Path(self.orders["copy"])
        if not copy.exists():
            left_out = shutil.ignore_patterns(".?*", "var", "build", "__pycache__")
            shutil.copytree(".", copy, ignore=left_out)
        # Without parameters: they may be called otherwise under the change.
        names = sorted({name.split("[")[0] for name in tests})
        command = [sys.executable, "-m", "pytest", *ALWAYS, "-x", "--tb=no", "-rfE", *names]
        process = None
        try:
            if source:
                _write(copy / path, source)
            process = subprocess.Popen(
                [*command, "-p", "no:xdist", f"--basetemp={copy}.tmp"],
                cwd=copy, start_new_session=True, text=True,
                stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
                env={**os.environ, **self.orders["fresh"]},
            )  # fmt: skip
            output, _ = process.communicate(
                timeout=START_S + WAITING * sum(map(self._limit_s, tests))
            )
        except subprocess.TimeoutExpired:
            return TIMED_OUT, ""
        finally:
            if process:
                _end(process.pid)
                process.wait()
            if source:
                _write(copy / path, path.read_text())
        failed = re.search(r"^(?:FAILED|ERROR) (\S+)", output, re.MULTILINE)
        if process.returncode == 1 and failed:
            return FAILED, failed[1].split("[")[0]
        return (PASSED if process.returncode == 0 else NO_START), ""


def _is_meant(test: str, by: str) -> bool:
    """`by` names a test, one with any parameters, or, empty, the start before them all."""
    return by in {test, test.split("[", maxsplit=1)[0], ""}


def _pair(before: CodeType, after: CodeType, codes: Codes) -> bool:
    """Finds for the code of each function that differs what it becomes; or says that it can't."""
    if before != after:
        codes[before.co_qualname, before.co_firstlineno] = after
    inner = [[c for c in code.co_consts if isinstance(c, CodeType)] for code in (before, after)]
    return [c.co_name for c in inner[0]] == [c.co_name for c in inner[1]] and all(
        _pair(a, b, codes) for a, b in zip(*inner, strict=True)
    )


def _write(path: Path, source: str) -> None:
    path.write_text(source)
    # Compiled code is told to be old by its second, which is too long here.
    Path(cache_from_source(str(path))).unlink(missing_ok=True)


def _end(group: int) -> None:
    with suppress(ProcessLookupError):
        os.killpg(group, signal.SIGKILL)
