"""What can be imported: each subject says its columns once, and which service takes its rows.

Apps above register their own subjects, and what their columns name, as they do for reversals.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final

from django.db.models import Model

from config.refusals import RefusalError, refuse
from lots.codes import parse_code
from lots.ledger.recording import Act
from lots.models import Balance, Lot, Party, Person, Place
from lots.people.roles import OFFICE
from lots.sheets.columns import Column, Kind

# The office imports anything; who works at the bench, what is read there.
OFFICE_AND_BENCH: Final = OFFICE | {Person.Role.OPERATOR.value}


@dataclass(frozen=True)
class Row:
    """One row as it was read: values by column (names looked up), and as they were written."""

    number: int
    values: Mapping[str, Any]
    written: Mapping[str, str] = field(default_factory=dict)

    def get(self, name: str, otherwise: Any = None) -> Any:
        return self.values.get(name, otherwise)

    def act(self, act: Act) -> Act:
        """The import's act at the row's own moment, with its own note."""
        return replace(
            act,
            key="",
            occurred_at=self.get("when") or act.occurred_at,
            note=self.get("note") or act.note,
        )


@dataclass(frozen=True)
class Subject:
    """One kind of sheet. `record` calls the service of its event and returns what was recorded, or
    None for a row that has nothing to record.

    `roles` may import it. No two rows may agree in all of `once`. `in_time` records the rows in the
    order of their moments. `metals` gives a row's metal for the totals, in micrograms. `asked_as`
    names the column for what the service calls otherwise.
    """

    name: str
    title: str
    about: str
    columns: tuple[Column, ...]
    record: Callable[[Row, Act], Model | None]
    roles: frozenset[str] = OFFICE
    once: tuple[str, ...] = ()
    in_time: bool = False
    metals: Callable[[Row], Mapping[str, int]] | None = None
    asked_as: Mapping[str, str] = field(default_factory=dict)

    def column(self, name: str) -> Column | None:
        return next((column for column in self.columns if column.name == name), None)

    def column_at_fault(self, path: str | None) -> str:
        """The column for the field a service refused; empty when the whole row is at fault."""
        known = {column.name for column in self.columns}
        parts = (path or "").split(".")
        for end in range(len(parts), 0, -1):
            for tail in (".".join(parts[:end]), parts[end - 1]):
                name = self.asked_as.get(tail, _ASKED_AS.get(tail, tail))
                if name in known:
                    return name
        return ""


_ASKED_AS: Final = {"occurred_at": "when", "taken_at": "when", "weight": "gross"}
_SUBJECTS: Final[dict[str, Subject]] = {}

# Finds what a text names, refusing it on the field given; made again for each import, so that what
# many rows name is looked up once.
Finder = Callable[[str, str], Any]
_FINDERS: Final[dict[str, Callable[[], Finder]]] = {}


def register(subject: Subject) -> Subject:
    _SUBJECTS[subject.name] = subject
    return subject


def finder_for(names: str) -> Callable[[Callable[[], Finder]], Callable[[], Finder]]:
    """Registers how a NAME column's text is found."""

    def take(make: Callable[[], Finder]) -> Callable[[], Finder]:
        _FINDERS[names] = make
        return make

    return take


def subjects() -> list[Subject]:
    return list(_SUBJECTS.values())


def subjects_for(role: str | None) -> list[Subject]:
    return [subject for subject in subjects() if role in subject.roles]


def subject_named(name: str) -> Subject:
    """Raises InvalidError `unknown_choice`."""
    if name not in _SUBJECTS:
        raise refuse(
            "unknown_choice:subjects", field="subject", value=name, subjects=", ".join(_SUBJECTS)
        )
    return _SUBJECTS[name]


def check_may_import(subject: Subject, role: str | None) -> None:
    """Raises ForbiddenError `not_for_this_role`."""
    if role not in subject.roles:
        raise refuse(
            "not_for_this_role",
            field="subject",
            value=subject.name,
            subject=subject.title,
            subject_2=", ".join(sorted(subject.roles)),
        )


class Desk:
    """What one import's rows share: the parties, places, lots they name, each found once."""

    def __init__(self, subject: Subject) -> None:
        self.subject = subject
        self._finders: dict[str, Finder] = {}
        self._found: dict[tuple[str, str], Any] = {}

    def look_up(self, values: Mapping[str, Any]) -> tuple[dict[str, Any], list[RefusalError]]:
        """The values with what NAME columns name, and each name that is nobody's."""
        found = dict(values)
        problems = []
        for column in self.subject.columns:
            if column.kind == Kind.NAME and column.name in values:
                try:
                    found[column.name] = self._find(column, values[column.name])
                except RefusalError as problem:
                    problem.field = column.name
                    problems.append(problem)
        return found, problems

    def _find(self, column: Column, text: str) -> Any:
        key = (column.names, text)
        if key not in self._found:
            if column.names not in self._finders:
                self._finders[column.names] = _FINDERS[column.names]()
            self._found[key] = self._finders[column.names](text, column.name)
        return self._found[key]


def unknown_name(what: str, text: str, column: str, remedy: str) -> RefusalError:
    return refuse("unknown_name", field=column, value=text, what=what, it=remedy)


def by_code_or_name(rows: list[Any], what: str) -> Finder:
    """Finds a row by its code, or by its name when only one bears it."""
    codes = {row.code.casefold(): row for row in rows}
    names: dict[str, list[Any]] = {}
    for row in rows:
        names.setdefault(" ".join(row.name.casefold().split()), []).append(row)

    def find(text: str, column: str) -> Any:
        wanted = " ".join(text.casefold().split())
        if wanted in codes:
            return codes[wanted]
        called = names.get(wanted, [])
        if len(called) > 1:
            raise refuse(
                "name_not_unique",
                field=column,
                value=text,
                what=what,
                what_2=", ".join(row.code for row in called),
            )
        if not called:
            raise unknown_name(what, text, column, f"Add the {what} first, or check the spelling.")
        return called[0]

    return find


@finder_for("party")
def _parties() -> Finder:
    return by_code_or_name(list(Party.objects.all()), "party")


@finder_for("place")
def _places() -> Finder:
    return by_code_or_name(list(Place.objects.all()), "place")


@finder_for("balance")
def _balances() -> Finder:
    return by_code_or_name(list(Balance.objects.all()), "balance")


@finder_for("lot")
def _lots() -> Finder:
    def find(text: str, column: str) -> Lot:
        code = str(parse_code(text, field=column))
        lot = Lot.objects.select_related("owner", "place").filter(code=code).first()
        if lot is None:
            raise unknown_name("lot", code, column, "Compare it with the label.")
        return lot

    return find
