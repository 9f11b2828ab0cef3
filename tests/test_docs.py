"""The pages for people name nothing that is not there: commands, flags, variables, paths, links."""

from __future__ import annotations

import ast
import re
from argparse import ArgumentParser
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Final

import pytest
from django.core.management import get_commands, load_command_class

from tests.browser.pictures import BYTES_MAX, FOLDER, PAGES

ROOT: Final = Path(__file__).resolve().parents[1]
APPS: Final = ("config", "lots", "cells", "reports")
TEXTS: Final = sorted([ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").glob("*.md")])
README_WORDS_MAX: Final = 900
DEVELOPERS_LINES_MAX: Final = 200

_CODE: Final = re.compile(r"^```\w*\n(.*?)^```|`([^`]+)`", re.MULTILINE | re.DOTALL)
_FOLDERS: Final = "config|lots|cells|reports|tests|fixtures|docs|\\.ci"
_FILE: Final = re.compile(rf"(?<![\w/.>])(?:{_FOLDERS})/[\w./-]*\.(?:py|toml|md|json|html)\b")
_FOLDER: Final = re.compile(rf"(?:{_FOLDERS})/(?:[\w.-]+/?)*")
_FLAG: Final = re.compile(r"(?<![^\s\[])--[a-z][a-z-]*")
_LINK: Final = re.compile(r"\]\(([^)#:]*)(#[^)]*)?\)")
_ROW: Final = re.compile(r"^\| `([A-Z_]+)` \|", re.MULTILINE)
_OPTION: Final = re.compile(r"add_argument\(\s*\"(--[a-z-]+)\"")


def code_in(text: str) -> Iterator[str]:
    """Each line of a block, and each span in backticks, as one line."""
    for block, span in _CODE.findall(text):
        yield from block.splitlines() or [" ".join(span.split())]


@cache
def options_of(command: str) -> frozenset[str]:
    """The flags that a command of `manage.py` takes."""
    owner = get_commands()[command]
    loaded = load_command_class(owner, command) if isinstance(owner, str) else owner
    parser: ArgumentParser = loaded.create_parser("manage.py", command)
    return frozenset(parser._option_string_actions)


@cache
def own_commands() -> frozenset[str]:
    return frozenset(name for name, owner in get_commands().items() if owner in APPS)


@cache
def script_options() -> frozenset[str]:
    """The flags of the scripts among the tests."""
    sources = (path.read_text() for path in (ROOT / "tests").rglob("*.py"))
    return frozenset(flag for source in sources for flag in _OPTION.findall(source))


def wrong_commands(text: str) -> Iterator[str]:
    for line in code_in(text):
        for command in line.split(" && "):
            yield from _wrong_command(command.partition(" #")[0])


def _wrong_command(said: str) -> Iterator[str]:
    _, with_manage, rest = said.rpartition("manage.py ")
    name = (rest.split() or [""])[0]
    if with_manage and re.fullmatch("[a-z_]+", name) and name not in get_commands():
        yield f"manage.py {name}: there is no such command"
    elif (with_manage and name in get_commands()) or name in own_commands():
        yield from (
            f"{name}: takes no {flag}" for flag in set(_FLAG.findall(rest)) - options_of(name)
        )
    elif said.startswith("--"):
        known = script_options().union({"--help"}, *map(options_of, own_commands()))
        yield from (f"nothing takes {flag}" for flag in set(_FLAG.findall(said)) - known)
    elif module := re.search(r"python -m (tests[\w.]+)", said):
        path = ROOT / module[1].replace(".", "/")
        if not (path.with_suffix(".py").exists() or (path / "__main__.py").exists()):
            yield f"{module[1]}: there is no such module"
        yield from (f"nothing takes {flag}" for flag in set(_FLAG.findall(said)) - script_options())


def wrong_paths(text: str) -> Iterator[str]:
    for said in code_in(text):
        named = set(_FILE.findall(said))
        if _FOLDER.fullmatch(said):
            named.add(said)
        yield from (each for each in sorted(named) if not (ROOT / each).exists())
        if found := re.fullmatch(r"(\S+\.py): (\w+)", said):
            path, name = found.groups()
            if not re.search(rf"\b{name}\b", (ROOT / path).read_text()):
                yield said


def wrong_links(text: str, folder: Path) -> Iterator[str]:
    for target, anchor in _LINK.findall(text):
        path = folder / target
        if not path.exists():
            yield target
        elif anchor and anchor not in _anchors(path.read_text() if target else text):
            yield target + anchor


def _anchors(text: str) -> set[str]:
    headings = re.findall(r"^#+ (.*)$", text, re.MULTILINE)
    return {"#" + re.sub(r"[^\w -]", "", each).lower().replace(" ", "-") for each in headings}


def variables_read(source: str) -> Iterator[str]:
    """The environment's variables that Python source reads by name."""
    constants = {
        target.id: node.value.value
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.Assign | ast.AnnAssign) and isinstance(node.value, ast.Constant)
        for target in (node.targets if isinstance(node, ast.Assign) else [node.target])
        if isinstance(target, ast.Name)
    }

    def said(node: ast.expr) -> Iterator[str]:
        value = node.value if isinstance(node, ast.Constant) else constants.get(ast.unparse(node))
        if isinstance(value, str):
            yield value

    for node in ast.walk(ast.parse(source)):
        match node:
            case ast.Call(func=function, args=[first, *_]) if ast.unparse(function) in {
                "os.environ.get",
                "os.environ.setdefault",
                "os.getenv",
                "_flag",
            }:
                yield from said(first)
            case ast.Call(func=function, keywords=keywords) if ast.unparse(function).endswith(
                "dj_database_url.config"
            ):
                named = [each.value for each in keywords if each.arg == "env"]
                yield from said(named[0]) if named else iter(["DATABASE_URL"])
            case ast.Subscript(value=value, slice=key) if ast.unparse(value) == "os.environ":
                yield from said(key)
            case ast.Compare(left=key, comparators=[value]) if ast.unparse(value) == "os.environ":
                yield from said(key)


@pytest.mark.parametrize("path", TEXTS, ids=lambda path: path.name)
def test_a_page_names_only_what_is_there(path: Path) -> None:
    text = path.read_text()
    assert [*wrong_commands(text), *wrong_paths(text), *wrong_links(text, path.parent)] == []


def test_what_is_not_there_is_found() -> None:
    text = """
```sh
.venv/bin/python manage.py melt_down && .venv/bin/python manage.py back_up there --verify --loud
```
`check_ledger --gently`, `--softly`, `python -m tests.nowhere`, `lots/nowhere.py`, `cells/nowhere/`,
`config/refusals.py: nowhere`, [a page](nowhere.md), [a place](#nowhere), `manage.py migrate`
"""
    assert list(wrong_commands(text)) == [
        "manage.py melt_down: there is no such command",
        "back_up: takes no --loud",
        "check_ledger: takes no --gently",
        "nothing takes --softly",
        "tests.nowhere: there is no such module",
    ]
    assert list(wrong_paths(text)) == [
        "lots/nowhere.py",
        "cells/nowhere/",
        "config/refusals.py: nowhere",
    ]
    assert list(wrong_links(text, ROOT)) == ["nowhere.md", "#nowhere"]


def test_the_table_of_settings_has_every_variable_that_is_read_and_no_other() -> None:
    sources = [ROOT / "manage.py", *(path for app in APPS for path in (ROOT / app).rglob("*.py"))]
    read = {name for path in sources for name in variables_read(path.read_text())}
    told = _ROW.findall((ROOT / "docs" / "running.md").read_text())
    assert sorted(told) == sorted(read)


def test_a_variable_is_found_however_it_is_read() -> None:
    source = """
NAME = "F"
os.environ.get("A", ""), os.environ["B"], "C" in os.environ, _flag("D", default=False)
dj_database_url.config(), dj_database_url.config(env="E"), os.environ[NAME], os.getenv("G")
"""
    assert set(variables_read(source)) == {*"ABCDEFG", "DATABASE_URL"}


def test_the_first_pages_stay_short() -> None:
    assert len((ROOT / "README.md").read_text().split()) <= README_WORDS_MAX
    assert len((ROOT / "DEVELOPERS.md").read_text().splitlines()) <= DEVELOPERS_LINES_MAX


def test_the_readme_shows_the_pictures_that_the_command_takes() -> None:
    shown = re.findall(r"!\[[^]]+\]\(docs/pictures/(\w+)\.jpg\)", (ROOT / "README.md").read_text())
    assert shown == list(PAGES)
    assert sorted(path.name for path in FOLDER.iterdir()) == sorted(f"{name}.jpg" for name in PAGES)
    assert all(path.stat().st_size < BYTES_MAX for path in FOLDER.iterdir())
