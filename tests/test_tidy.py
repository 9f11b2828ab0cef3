"""The rules of the house that a machine can check: who imports whom, what stays pure, how long."""

from __future__ import annotations

import ast
import re
from collections import defaultdict
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from string import Formatter

import pytest

from config.refusals import CATALOGUE
from tests import refusal_table
from tests.access_table import ADMIN, TABLE, routes

ROOT = Path(__file__).resolve().parents[1]
APPS = ("config", "lots", "cells", "reports")
# From low to high: an app imports only from itself and from those before it.
ALLOWED = {app: set(APPS[: index + 1]) for index, app in enumerate(APPS)}
# Modules directly under an app that are not pure calculation.
NOT_PURE = {"__init__", "apps", "admin", "models", "urls", "guards", "clock", "metals"}
# Rooms of pure calculation alone.
PURE_ROOMS = (
    "reports/statistics",
    "cells/electrochemistry",
    "cells/estimate",
    "lots/likelihood",
)
LINES_MAX = 400
# Longer files, each with its reason.
LONGER = {
    "tests/access_table.py": "a row for every address there is, found by its name",
    "tests/properties/test_ledger_model.py": "one machine of steps, read beside its reference",
}
# A function after its docstring; its parameters are what an event asks.
FUNCTION_LINES_MAX = 60
# A test fits a screen. Longer ones tell a story that would be told twice if it were cut.
TEST_LINES_MAX = 40
LONGER_TESTS = {
    "test_every_microgram_is_on_the_books_through_a_run": "a run from its charge to its close",
    "test_from_the_door_to_the_settlement": "every step of a lot through the API",
    "test_what_the_owner_is_told_holds_the_truth": "every request a run of one cell takes",
}
FILES_MAX = 25
# Folders with more files side by side, each with its reason.
FULLER = {
    "cells/services": "a module for each event",
    "config": "settings, and what every app's pages and addresses stand on",
    "lots/ledger": "the kernel, which is read as one",
    "lots/services": "a module for each event",
    "lots/templates/lots": "a template is found by its page's name",
    "reports/pages": "a module for each page of a report",
    "reports/templates/reports": "a template is found by its page's name",
}
# Steps that are tested together with those they can't go without, in the module named.
TESTED_IN = {
    "prices": "test_settlements",
    "subscriptions": "test_event_delivery",
    "weighings": "test_weighing_difference",
    "assays": "test_late_assay",
    "remnant": "test_plain_chain",
    "slimes_bag": "test_plain_chain",
    "measure_electrolyte": "test_electrolytes",
    "prepare_electrolyte": "test_electrolytes",
    "top_up": "test_electrolytes",
    "start_run": "test_plain_chain",
    "stop_run": "test_plain_chain",
}
# What a pure module may not know of: the framework, the clock, chance, files.
IMPURE_IMPORTS = {"django", "rest_framework", "random", "secrets", "time", "os", "pathlib", "io"}
IMPURE_CALLS = {"now", "today", "utcnow", "open", "default_rng"}
# Lists of names that pure modules may use: the metals, and the codes of the outside accounts.
NAME_LISTS = {"lots.metals", "lots.ledger.accounts"}
# Where the site names its apps.
CONFIG_MAY_NAME = {"config/urls.py", "config/settings.py"}


def sources(*folders: str) -> Iterator[Path]:
    for folder in folders:
        for path in sorted((ROOT / folder).rglob("*.py")):
            if "migrations" not in path.parts:
                yield path


def name(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


@cache
def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(), filename=name(path))


def imports(path: Path) -> Iterator[str]:
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def pure_modules() -> list[Path]:
    return [
        path
        for app in ("lots", "cells", "reports")
        for path in sorted((ROOT / app).glob("*.py"))
        if path.stem not in NOT_PURE
    ] + [
        path
        for room in PURE_ROOMS
        for path in sorted((ROOT / room).glob("*.py"))
        if path.stem != "__init__"
    ]


@pytest.mark.parametrize("app", APPS)
def test_imports_run_one_way(app: str) -> None:
    wrong = {
        (name(path), module)
        for path in sources(app)
        if name(path) not in CONFIG_MAY_NAME
        for module in imports(path)
        if module.split(".")[0] in APPS and module.split(".")[0] not in ALLOWED[app]
    }
    assert wrong == set()


def test_nothing_of_the_project_imports_its_tests() -> None:
    wrong = {
        (name(path), module)
        for path in sources(*APPS)
        for module in imports(path)
        if module.split(".")[0] in {"tests", "pytest", "hypothesis"}
    }
    assert wrong == set()


@pytest.mark.parametrize("path", pure_modules(), ids=name)
def test_pure_modules_know_no_framework_clock_chance_or_files(path: Path) -> None:
    wrong = {module for module in imports(path) if module.split(".")[0] in IMPURE_IMPORTS}
    own = {
        module
        for module in imports(path)
        if module.split(".")[0] in APPS and len(module.split(".")) > 1 and not _is_pure(module)
    }
    calls = {
        node.func.attr if isinstance(node.func, ast.Attribute) else node.func.id
        for node in ast.walk(tree(path))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute | ast.Name)
    } & IMPURE_CALLS
    assert (wrong, own, calls) == (set(), set(), set())


def _is_pure(module: str) -> bool:
    """Whether a module of ours (or the name imported from one) is of a pure shelf."""
    app, subject = module.split(".")[:2]
    if any(module.startswith(known) for known in NAME_LISTS | {"config.refusals"}):
        return True
    if f"{app}/{subject}" in PURE_ROOMS:
        return True
    path = ROOT / app / f"{subject}.py"
    return path.exists() and subject not in NOT_PURE and app != "config"


def test_files_stay_short() -> None:
    long = {
        name(path): lines
        for path in sources(*APPS, "tests")
        if (lines := len(path.read_text().splitlines())) > LINES_MAX
    }
    assert set(long) - set(LONGER) == set(), long
    assert set(LONGER) - set(long) == set(), "no longer long: take it off the list"


def functions(path: Path) -> Iterator[tuple[str, int]]:
    """Each function's name and length, from its first statement after the docstring."""
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.FunctionDef):
            body = node.body[1:] if ast.get_docstring(node) is not None else node.body
            yield node.name, (node.end_lineno or 0) - body[0].lineno + 1 if body else 0


def test_functions_and_tests_fit_a_screen() -> None:
    long = {
        (name(path), function): lines
        for path in sources(*APPS)
        for function, lines in functions(path)
        if lines > FUNCTION_LINES_MAX
    }
    assert long == {}
    tests = {
        function: lines
        for path in sources("tests")
        for function, lines in functions(path)
        if function.startswith("test_") and lines > TEST_LINES_MAX
    }
    assert set(tests) - set(LONGER_TESTS) == set(), tests
    assert set(LONGER_TESTS) - set(tests) == set(), "no longer long: take it off the list"


def test_folders_stay_small() -> None:
    folders = [ROOT / app for app in APPS]
    folders += [each for app in folders for each in app.rglob("*") if each.is_dir()]
    full = {
        folder.relative_to(ROOT).as_posix(): len(files)
        for folder in folders
        if folder.name not in {"__pycache__", "migrations"}
        if len(files := [each for each in folder.glob("*.*") if each.stem != "__init__"])
        > FILES_MAX
    }
    assert set(full) - set(FULLER) == set(), full
    assert set(FULLER) - set(full) == set(), "no longer full: take it off the list"


def test_an_event_has_the_same_stem_where_it_is_tested() -> None:
    tested = {path.stem for path in sources("tests")}
    declaring = {
        path.stem
        for app in ("lots", "cells", "reports")
        for path in sources(app)
        for node in ast.walk(tree(path))
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Event"
    }
    assert len(declaring) > 50
    wanted = {stem: TESTED_IN.get(stem, f"test_{stem}") for stem in declaring}
    assert {stem: test for stem, test in wanted.items() if test not in tested} == {}
    assert set(TESTED_IN) <= declaring


def test_nothing_prints_but_commands() -> None:
    wrong = {
        (name(path), node.lineno)
        for path in sources(*APPS)
        if "commands" not in path.parts
        for node in ast.walk(tree(path))
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Name)
        and node.func.id == "print"
    }
    assert wrong == set()


def test_nobody_meets_an_old_word() -> None:
    """Pages, refusals and commands say it as people do."""
    old = re.compile(r"\banew\b|reckon|\bNaN\b", re.IGNORECASE)
    said = [*sources(*APPS), ROOT / "config" / "refusals.toml"]
    said += [path for app in APPS for path in (ROOT / app).rglob("*.html")]
    wrong = {
        (name(path), text[:60]) for path in said for text in _read_out(path) if old.search(text)
    }
    assert wrong == set()


def _read_out(path: Path) -> Iterator[str]:
    """The words of a file that anybody but its reader meets: no docstring, no comment."""
    if path.suffix != ".py":
        yield from path.read_text().splitlines()
        return
    silent = {
        id(node.body[0].value)
        for node in ast.walk(tree(path))
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
        and ast.get_docstring(node) is not None
        and isinstance(node.body[0], ast.Expr)
    }
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.value if id(node) not in silent and " " in node.value else ""


def test_nothing_is_left_for_another_day() -> None:
    mark = re.compile(r"\b(TO" + r"DO|FIX" + r"ME|XX" + r"X|HA" + r"CK)\b")
    wrong = {
        (name(path), number)
        for path in sources(*APPS, "tests")
        for number, line in enumerate(path.read_text().splitlines(), 1)
        if mark.search(line)
    }
    assert wrong == set()


def refusals_named() -> dict[str, list[tuple[Path, set[str]]]]:
    """Every refusal that the source names, with where, and the words given to it there."""
    found: dict[str, list[tuple[Path, set[str]]]] = defaultdict(list)
    for path in sources(*APPS):
        for node in ast.walk(tree(path)):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "refuse":
                first = node.args[0]
                ends = [first.body, first.orelse] if isinstance(first, ast.IfExp) else [first]
                for end in ends:
                    if isinstance(end, ast.Constant) and isinstance(end.value, str):
                        given = {word.arg or "**" for word in node.keywords}
                        found[end.value].append((path, given))
    return found


def test_every_refusal_stands_once_in_the_catalogue() -> None:
    named = refusals_named()
    assert {"lot_overdrawn", "month_closed", "idempotency_key_reused"} <= set(named)
    assert (set(named) - set(CATALOGUE), set(CATALOGUE) - set(named)) == (set(), set())
    wrong = [
        name for name in named if not re.fullmatch(r"[a-z][a-z0-9_]{2,40}(:[a-z0-9_]+)?", name)
    ]
    assert wrong == []


def test_every_refusal_is_given_the_words_it_names() -> None:
    wanting = {}
    for name, sites in refusals_named().items():
        entry = CATALOGUE[name]
        text = entry["says"] + entry.get("remedy", "")
        words = {word for _, word, _, _ in Formatter().parse(text) if word} - {"value"}
        for path, given in sites:
            if "**" not in given and words - given:
                wanting[name] = (path.name, words - given)
    assert wanting == {}


def test_the_docs_show_every_refusal() -> None:
    """Written by `python -m tests.refusal_table`."""
    assert (ROOT / "docs" / "refusals.md").read_text() == refusal_table.text()


def test_every_address_says_in_the_table_who_may_read_and_write_there() -> None:
    """Add a row to `tests/access_table.py` for a new address; `tests/test_access.py` walks it."""
    there = {route for route in routes() if not route.startswith(ADMIN)}
    assert (there - set(TABLE), set(TABLE) - there) == (set(), set())
