"""Runs every command of a README in its order, in a new copy of the project, as a reader would.

    python tests/readme_runner.py README.md FOLDER TABLES

Commands are the lines of the README's `sh` blocks, and what its text says to `manage.py`; a command
said again where nothing else is set is run once. The first that fails ends this with 1. To be
quick, each is forked from a process that has loaded the libraries, and the site in that command's
environment.

Not run as written, see `AS_RUN`: the environment is the one that runs this, so none is made and
nothing is installed; the tests are not run from inside the tests; the demo begins where it would
start itself again, in its own folder; what serves stops after having loaded the site; what asks a
person is given the answers. What only POSIX has is taken away
before a command runs, and text read or written without saying how is refused, as Windows would
read it in another way. And `migrate`, which alone takes longer than all the rest, finds the
file TABLES in place, a database that is migrated already.
"""

from __future__ import annotations

import os
import re
import runpy
import shlex
import shutil
import subprocess
import sys
import traceback
from collections.abc import Iterator, Mapping
from importlib import import_module
from itertools import groupby
from pathlib import Path
from typing import Any, Final

import django
from django.conf import settings

ROOT: Final = Path(__file__).resolve().parents[1]
# What takes long to load. None of it is of the project, which reads each command's environment.
LIBRARIES: Final = (
    "cryptography.hazmat.primitives.asymmetric.ed25519",
    "django.core.management",
    "django.http",
    "fpdf",
    "openpyxl",
    "psycopg",
    "scipy.optimize",
    "scipy.sparse.linalg",
    "scipy.spatial",
    "scipy.stats",
)
# By how a command begins: what is run instead (None: nothing).
AS_RUN: Final[dict[str, str | None]] = {
    "python3 -m venv": None,
    ".venv/bin/pip install": None,
    ".venv/bin/python -m pytest": None,
    ".venv/bin/python manage.py demo": "DATA_DIR=var/demo .venv/bin/python manage.py demo "
    "--in-place --no-serve",
    ".venv/bin/python manage.py createsuperuser": "{} --noinput --username first --email ''",
    ".venv/bin/python manage.py serve": ".venv/bin/python -c 'import config.wsgi'",
}
_SAID: Final = re.compile(r"^```(\w*)\n(.*?)^```|`(manage\.py\s[^`]+)`", re.MULTILINE | re.DOTALL)
_SETS: Final = re.compile(r"[A-Z_]+=\S*")
Step = tuple[dict[str, str], list[str]]


def commands(readme: str) -> Iterator[str]:
    """The commands of a README, as written."""
    for language, block, said in _SAID.findall(readme):
        if language == "sh":
            for line in block.splitlines():
                yield from line.split(" #")[0].split(" && ")
        elif said:
            yield ".venv/bin/python " + " ".join(said.split())


def steps(readme: str, environment: Mapping[str, str]) -> Iterator[Step]:
    """Each command with the environment that it runs in, `export` and `unset` followed."""
    around, known = dict(environment), []
    for command in map(_as_run, commands(readme)):
        words = shlex.split(command)
        if words[:1] == ["export"]:
            around = {**around, **dict(word.split("=", 1) for word in words[1:])}
        elif words[:1] == ["unset"]:
            around = {name: value for name, value in around.items() if name not in words}
        elif words and (around, words) not in known:
            known.append((around, words))
            own = dict(word.split("=", 1) for word in words if _SETS.fullmatch(word))
            yield {**around, **own}, [os.path.expanduser(word) for word in words[len(own) :]]


def _as_run(command: str) -> str:
    for beginning, instead in AS_RUN.items():
        if command.startswith(beginning):
            return instead.format(command) if instead else ""
    return command


def run(readme: str, folder: Path, tables: Path) -> int:
    os.chdir(folder)
    sys.path.insert(0, str(folder))
    environment = {
        "PATH": os.environ["PATH"],
        "HOME": os.environ["HOME"],
        "DJANGO_SETTINGS_MODULE": "config.settings",
        "DJANGO_SUPERUSER_PASSWORD": "invented for the test",
    }
    for around, same in groupby(steps(readme, environment), key=lambda step: step[0]):
        if code := _forked(_run_all, around, [words for _, words in same], tables):
            return code
    return 0


def _forked(work: Any, *given: Any) -> int:
    """Does the work in a process of its own and says how that ended."""
    pid = os.fork()
    if pid == 0:
        code: Any = 1
        try:
            code = work(*given)
        except SystemExit as end:
            code = end.code
        except BaseException:
            traceback.print_exc()
        finally:
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(code if isinstance(code, int) else int(code is not None))
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])


def _run_all(environment: dict[str, str], commands: list[list[str]], tables: Path) -> int:
    """Commands that share their environment share the start of the site too."""
    os.environ.clear()
    os.environ.update(environment)
    django.setup()
    import_module("config.urls")
    ledger = Path(settings.DATABASES["default"]["NAME"])
    for words in commands:
        if {"migrate", "demo"} & set(words) and not ledger.exists():
            shutil.copy(tables, ledger)
        if code := _forked(_run_one, words):
            sys.stdout.write(f"ended with {code}: {shlex.join(words)}\n")
            return 1
    return 0


def _as_on_windows() -> None:
    """Takes away what only POSIX has, so that a command that needs it fails."""
    for name in ("fork", "O_DIRECTORY", "getuid", "geteuid", "chown", "fchmod", "mkfifo", "killpg"):
        delattr(os, name)
    sys.modules |= dict.fromkeys(("fcntl", "grp", "pwd", "resource", "termios"))  # type: ignore[arg-type]
    opened = os.open

    def open_file(path: Any, flags: int, *given: Any, **named: Any) -> int:
        if not isinstance(path, int) and os.path.isdir(path):
            raise PermissionError(path)
        return opened(path, flags, *given, **named)

    os.open = open_file
    shutil._use_fd_functions = False  # type: ignore[attr-defined]


def _run_one(words: list[str]) -> int:
    program, *arguments = words
    _as_on_windows()
    if program == ".venv/bin/python" and arguments[0] == "-c":
        exec(arguments[1])
    elif program == ".venv/bin/python":
        sys.argv = arguments
        runpy.run_path(arguments[0], run_name="__main__")
    else:
        return subprocess.run(words, check=False).returncode
    return 0


def copied(folder: Path) -> Path:
    """The project as it is checked out, without what running it has left."""
    left = shutil.ignore_patterns(".*", "var", "build", "tests", "*.egg-info")
    return Path(shutil.copytree(ROOT, folder / "project", ignore=left))


if __name__ == "__main__":
    for library in LIBRARIES:
        import_module(library)
    given, folder, tables = map(Path, sys.argv[1:])
    sys.exit(run(given.read_text("utf-8"), copied(folder), tables.absolute()))
