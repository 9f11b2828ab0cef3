"""Which tests run which lines? A map made once by running the suite, and made again when stale."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
from collections import defaultdict
from collections.abc import Iterator
from functools import cache
from pathlib import Path

from coverage import CoverageData

IMPORTED = ""  # what ran before any test
ONCE = "once for all: "  # what a session's fixture ran
SHARED = "shared: "  # what the fixture of a module or class ran, for all tests that use it
OWN = Path("tests/studies/mutants")
ALWAYS = ("-p", "no:randomly", "-p", "no:cacheprovider", "-p", "tests.studies.mutants.plain")


class Seen:
    """The map of one kind of database in one folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.seconds: dict[str, float] = {}
        self.users: dict[str, list[str]] = defaultdict(list)

    def refresh(self, jobs: int) -> None:
        """Runs what changed since: nothing, some files of tests, or the whole suite.

        A test that fails is not on the map. Raises RuntimeError when the tests don't run at all.
        """
        index = self.folder / "seen.json"
        kept = json.loads(index.read_text()) if index.exists() else {"hashes": {}, "tests": {}}
        now = {path.as_posix(): _hash(path) for path in sources()}
        changed = {
            path for path in {*now, *kept["hashes"]} if now.get(path) != kept["hashes"].get(path)
        }
        if not all(Path(path).name.startswith("test_") for path in changed):
            kept["tests"] = {}
            shutil.rmtree(self.folder, ignore_errors=True)
        if changed:
            self._run(sorted(changed & {*now}) if kept["tests"] else [], jobs)
        kept["tests"] = {
            name: test for name, test in kept["tests"].items() if name.split("::")[0] not in changed
        }
        for part in self.folder.glob("tests.*.json"):
            kept["tests"] |= json.loads(part.read_text())
            part.unlink()
        index.write_text(json.dumps({"hashes": now, "tests": kept["tests"]}))
        for name, (seconds, fixtures) in kept["tests"].items():
            self.seconds[name] = seconds
            for fixture in fixtures:
                self.users[fixture].append(name)

    def _run(self, files: list[str], jobs: int) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        command = [sys.executable, "-m", "pytest", *ALWAYS, "-n", str(jobs if jobs > 1 else 0)]
        run = subprocess.run(
            [*command, "-p", "tests.studies.mutants.record", *files],
            env={**os.environ, "MUTANTS_SEEN": str(self.folder)},
            check=False,
        )
        if run.returncode > 1:
            raise RuntimeError("The tests were not run, so it is not known which see what.")
        data = CoverageData(str(self.folder / "lines"))
        data.read()
        for part in self.folder.glob("lines.*"):
            more = CoverageData(str(part))
            more.read()
            data.update(more)
            part.unlink()
        data.write()
        data.close()

    def by(self, module: str, lines: range) -> tuple[set[str], bool]:
        """The tests that run any of the lines, and whether any also runs before the tests."""
        contexts = {context for line in lines for context in self._contexts(module).get(line, ())}
        tests = {test for context in contexts for test in self.users.get(context, [context])}
        return tests & {*self.seconds}, any(
            context == IMPORTED or context.startswith(ONCE) for context in contexts
        )

    @cache  # noqa: B019 one map lives as long as the command
    def _contexts(self, module: str) -> dict[int, list[str]]:
        data = CoverageData(str(self.folder / "lines"))
        data.read()
        return data.contexts_by_lineno(module)


def sources() -> Iterator[Path]:
    """Every Python file of the project, hidden folders and what is made by it left out."""
    for top in sorted(Path().iterdir()):
        if top.name.startswith(".") or top.name in {"var", "build"}:
            continue
        found = [top] if top.suffix == ".py" else sorted(top.rglob("*.py"))
        yield from (path for path in found if path.parent != OWN)


def product() -> Iterator[Path]:
    """The Python files that are not tests, nor migrations, which the database keeps."""
    return (path for path in sources() if not {"tests", "migrations"} & {*path.parts})


def _hash(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()
