"""What an event says of itself, once: what it asks, on what, who may, and in which words.

The questions are the parameters of the event's service and the fields of the dataclasses it takes:
`Annotated` with `Asks` where the type does not say enough. The API (`as_api`), the page (`as_page`)
and the sheet that is imported (`as_sheet`) follow from it.
"""

from __future__ import annotations

import pkgutil
import types
import typing
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import MISSING, dataclass, field, fields, is_dataclass, replace
from decimal import Decimal
from functools import cache, cached_property
from importlib import import_module
from importlib.util import find_spec
from inspect import Parameter, signature
from typing import Any, Final

from django.db.models import Model
from django.shortcuts import get_object_or_404

from config.menu import Link
from lots.ledger.recording import Act

MASS: Final = "mass"
VOLUME: Final = "volume"
# A figure kept as it was sent, parts per thousand, and those by element.
EXACT: Final = "exact"
PARTS: Final = "parts"
ELEMENTS: Final = "elements"
# A parameter's unit is no part of the question's name: a request says its unit itself.
_UNIT_OF: Final = {"_ug": MASS, "_ul": VOLUME}
# Where one lands after an event: on the page of what it happened to.
SUBJECT: Final = "subject"


@dataclass(frozen=True)
class Asks:
    """What a field's type does not say. Limits are inclusive, in the figure's own unit.

    `label` and `help` are its words; `kind` is MASS or VOLUME where the name has no unit, EXACT,
    PARTS or ELEMENTS; `choices` a closed list; `among` the rows offered on a page; `digits` and
    `decimals` limit a figure; without `positive` it may be zero, or a text empty, for the service
    to judge; `liquid` asks it only of a solution (True) or only of a solid (False). `typed` fills
    it with the text typed for another field and never asks it. `on_page` False leaves it to
    programs. `otherwise` is what holds when it is left out, where the parameter has no default of
    its own. `offered` narrows `choices` on a page, and `long` is the lines of a text there. A page
    asks for a row by its code where `typed_code` says so, and calls none chosen `empty`.

    Of a model it is `Annotated[Place, None, Asks(...)]`: Django's typing plugin reads the second.
    """

    label: str = ""
    help: str = ""
    name: str = ""
    kind: str = ""
    choices: Any = None
    offered: Any = None
    among: Callable[[], Any] | None = None
    at_least: int | Decimal | None = None
    at_most: int | Decimal | None = None
    digits: int = 18
    decimals: int = 6
    positive: bool = True
    initial: Any = None
    liquid: bool | None = None
    typed: str = ""
    otherwise: Any = None
    on_page: bool = True
    long: int = 0
    typed_code: bool = False
    empty: str = ""


@dataclass(frozen=True, eq=False)
class Question:
    """One thing an event asks: `name` outside, `param` as its service calls it."""

    name: str
    param: str
    type: Any
    asks: Asks
    needed: bool
    default: Any = None
    # The dataclass parameter of the service that it is a field of, when that one is not named.
    within: str = ""

    @property
    def kind(self) -> Any:
        """What to look up its reader by: MASS, VOLUME, "choice", or its type."""
        if self.asks.choices is not None:
            return "choice"
        if issubclass_of(self.type, Model):
            return Model
        if self.item is not None and issubclass_of(self.item.type, Model):
            return Sequence[Model]
        return self.asks.kind or self.type

    @property
    def label(self) -> str:
        return self.asks.label or self.name.replace("_", " ").capitalize()

    @property
    def parts(self) -> tuple[Question, ...]:
        """The questions of a dataclass; empty for anything asked in one piece."""
        made: Any = self.type
        return questions_of(made) if is_dataclass(self.type) else ()

    @cached_property
    def item(self) -> Question | None:
        """The question of one item of a sequence of dataclasses or rows."""
        inner: Any = next(iter(typing.get_args(self.type)), None)
        if typing.get_origin(self.type) is Sequence and (
            is_dataclass(inner) or issubclass_of(inner, Model)
        ):
            return replace(self, type=inner)
        return None


def issubclass_of(what: Any, base: type) -> bool:
    return isinstance(what, type) and issubclass(what, base)


def code_of(model: type[Model]) -> str:
    """What names a row in a request: its own code, that of the lot it is, or its number."""
    columns = {each.name: each for each in model._meta.fields}
    if "code" in columns:
        return "code"
    return "lot__code" if "lot" in columns and columns["lot"].one_to_one else "pk"


def _question(param: str, hint: Any, default: Any) -> Question:
    asks = Asks()
    if typing.get_origin(hint) is typing.Annotated:
        hint, *said = typing.get_args(hint)
        asks = next((each for each in said if isinstance(each, Asks)), asks)
    if isinstance(hint, types.UnionType):
        hint = next(each for each in typing.get_args(hint) if each is not type(None))
    name = param
    for unit, kind in _UNIT_OF.items():
        if param.endswith(unit) and hint in (int, Mapping[str, int]):
            name = param.removesuffix(unit)
            asks = replace(asks, kind=kind) if hint is int else asks
    if asks.otherwise is not None:
        default = asks.otherwise
    needed = default is MISSING or default is Parameter.empty
    return Question(asks.name or name, param, hint, asks, needed, None if needed else default)


@cache
def questions_of(asked: Any) -> tuple[Question, ...]:
    """The questions of a dataclass's fields or of a service's parameters, in their order."""
    hints = typing.get_type_hints(asked, include_extras=True)
    if is_dataclass(asked):
        found = []
        for each in fields(asked):
            made = each.default_factory
            default = each.default if made is MISSING else made()
            found.append(_question(each.name, hints[each.name], default))
    else:
        parameters = signature(asked).parameters.values()
        found = [_question(each.name, hints[each.name], each.default) for each in parameters]
    return tuple(each for each in found if each.type is not Act)


def build(made: type[Any], questions: Sequence[Question], answers: Mapping[str, Any]) -> Any:
    """A dataclass of the answers by question; what is None or absent is left to its default."""
    values = {each.param: answers.get(each.name) for each in questions}
    for each in questions:
        if values[each.param] is None:
            values[each.param] = each.asks.otherwise
    return made(**{param: value for param, value in values.items() if value is not None})


def with_typed(
    questions: Sequence[Question], answers: Mapping[str, Any], sent: Mapping[str, Any]
) -> dict[str, Any]:
    """The answers, with the texts as they were typed where a field keeps those."""
    texts = {
        each.name: str(sent.get(each.asks.typed, ""))[: int(each.asks.at_most or 80)]
        for each in questions
        if each.asks.typed
    }
    return {**answers, **texts}


WHEN: Final = "When it happened"


@dataclass(frozen=True)
class On:
    """What events happen to: `model`, named in the address by its code or number.

    `path` begins the address, `param` is what services call it, `also` what else their refusals
    say for it; `capitals` says that its code has any. `found` finds what no code or number names.
    `page` is the page of it, which `page_of` is the code of: one lands there after a step that
    makes no lot and posts no movement. `cautions` are the safety texts beside every step of it.
    `section`, `template`, `roles` and `when`, which is empty of what happens as it is recorded,
    hold for each event that does not say its own.
    """

    model: type[Model]
    path: str
    param: str
    related: tuple[str, ...] = ()
    section: str = "bench"
    template: str = "lots/bench_step.html"
    roles: frozenset[str] | None = None
    when: str = WHEN
    page: str = ""
    page_of: str = "code"
    also: tuple[str, ...] = ()
    capitals: bool = True
    cautions: Callable[[Any], tuple[str, ...]] | None = None
    found: Callable[[Mapping[str, Any]], Any] | None = None

    def find(self, path: Mapping[str, Any]) -> Any:
        """What the address names; raises Http404."""
        if self.found is not None:
            return self.found(path)
        named = {name: value for name, value in path.items() if f":{name}>" in self.path}
        if "code" in named:
            code = named.pop("code")
            named[code_of(self.model)] = code.upper() if self.capitals else code
        rows = self.model._default_manager.select_related(*self.related)
        return get_object_or_404(rows, **named)


# What an event happens to that begins something new.
_NOTHING: Final = On(Model, "", "")


@dataclass(frozen=True)
class Menu:
    """Where an event's page is offered: the list's name in `<app>/pages/menu.py`, and its words."""

    where: str
    label: str
    order: int
    hint: str = ""
    group: str = ""
    about: frozenset[str] | None = None


@dataclass(frozen=True, eq=False)
class Event:
    """A thing that happens. `at` ends its address, on the thing it happens to if there is one.

    `about` is the API's description; `title`, `lead`, `button` and `done` are the page's words. The
    API has no event without `at`, and the pages none without `title`; `page_at` is the page's
    address where it is another. `flat` names dataclass parameters whose fields are asked as the
    event's own; `asked_as` the question for what the service's refusals call otherwise ("" for the
    whole request). `fixed` answers questions on the page that only programs are asked, `order` puts
    the page's questions in order of need: what else may be left out stands under “more”. `when` and
    `why` are the words for the moment and the note, which a page does not ask where they are empty;
    a note that `needs_why` can't be left out. One lands on the page of what it happened to, else on
    that of the lot that was recorded; or on the page that `lands` names, followed by the attribute
    of what was recorded that its address asks for. `never_kept` names what the API answers once
    only; `begins` gives what the page's form begins with, `beside` what its template shows else,
    `called` the API's name for it where several events share a service. `likely` holds figures
    against what is known.
    """

    service: Callable[..., Model]
    at: str
    about: str
    name: str = ""
    on: On | None = None
    title: str = ""
    lead: str = ""
    button: str = "Record"
    done: str = "Recorded."
    roles: frozenset[str] | None = None
    cautions: tuple[str, ...] = ()
    section: str = ""
    flat: tuple[str, ...] = ()
    asked_as: Mapping[str, str] = field(default_factory=dict)
    fixed: Mapping[str, Any] = field(default_factory=dict)
    order: tuple[str, ...] = ()
    offered_forms: tuple[str, ...] | None = None
    template: str = ""
    lands: str = ""
    when: str | None = None
    why: str = "Note"
    needs_why: bool = False
    page_at: str = ""
    menu: Menu | None = None
    begins: Callable[[Any], Mapping[str, Any]] | None = None
    beside: Callable[[Any, Any], Mapping[str, Any]] | None = None
    never_kept: tuple[str, ...] = ()
    called: str = ""
    likely: Callable[..., Iterable[Any]] | None = None

    def __post_init__(self) -> None:
        on = self.on or _NOTHING
        for name in ("section", "template", "roles"):
            object.__setattr__(self, name, getattr(self, name) or getattr(on, name))
        if self.when is None:
            object.__setattr__(self, "when", on.when)

    @property
    def app(self) -> str:
        return self.service.__module__.partition(".")[0]

    @property
    def stem(self) -> str:
        """The service's name in capitals, as in HarvestRun: how its parts are called in the API."""
        return self.called or self.service.__name__.title().replace("_", "")

    def address(self, ending: str) -> str:
        """Of the API or the page; an ending that begins with a stroke is a whole address."""
        if ending.startswith("/"):
            return f"{ending[1:]}/"
        return f"{self.on.path}/{ending}/" if self.on else f"{ending}/"

    @cached_property
    def questions(self) -> tuple[Question, ...]:
        """What is asked: everything the service takes but the thing it happens to."""
        subject = self.on.param if self.on is not None else ""
        return tuple(each for each in self._taken if each.name != subject)

    @cached_property
    def _taken(self) -> list[Question]:
        found: list[Question] = []
        for each in questions_of(self.service):
            parts = [replace(part, within=each.param) for part in each.parts]
            found += parts if each.param in self.flat else [each]
        return found

    @property
    def recorded(self) -> Any:
        """The model of what the service records."""
        return typing.get_type_hints(self.service)["return"]

    def arguments(self, answers: Mapping[str, Any], subject: Any) -> dict[str, Any]:
        """The service's arguments from answers by question; what is None is left to its default."""
        if self.on is not None:
            answers = {**answers, self.on.param: subject}
        given = [each for each in self._taken if answers.get(each.name) is not None]
        arguments = {each.param: answers[each.name] for each in given if not each.within}
        for each in questions_of(self.service):
            if each.param in self.flat:
                within = [part for part in self._taken if part.within == each.param]
                arguments[each.param] = build(each.type, within, answers)
        return arguments

    def asked(self, path: str | None) -> str | None:
        """The request's own path for the field a service refused; None for the whole request."""
        parts = (path or "").split(".")
        for end in range(len(parts), 0, -1):
            head = ".".join(parts[:end])
            if head in self.asked_as:
                parts = [*filter(None, self.asked_as[head].split(".")), *parts[end:]]
                break
        known = {each.name for each in self.questions} | {"occurred_at", "note", "Idempotency-Key"}
        inner = {part.name: each.name for each in self.questions for part in each.parts}
        on = {self.on.param, *self.on.also} if self.on is not None else set()
        while parts and parts[0] not in known:
            if len(parts) == 1 and parts[0] in on:
                break
            parts = [inner[parts[0]], *parts] if parts[0] in inner else parts[1:]
        return ".".join(parts) or None


# The folders of an app in which services stand.
SHELVES: Final = ("services", "measurements", "people", "feed", "ledger")


@cache
def events_of(app: str) -> tuple[Event, ...]:
    """Every event that a module of the app declares, where its services are."""
    found: list[Event] = []
    for shelf in SHELVES:
        if find_spec(f"{app}.{shelf}") is None:
            continue
        package = import_module(f"{app}.{shelf}")
        for info in pkgutil.iter_modules(package.__path__, f"{package.__name__}."):
            for value in vars(import_module(info.name)).values():
                if isinstance(value, Event) and value.service.__module__ == info.name:
                    found.append(value)
    return tuple(found)


def links_of(app: str, where: str) -> tuple[Link, ...]:
    """The menu's links to the pages of the app's events."""
    offered = [(event, event.menu) for event in events_of(app) if event.menu is not None]
    return tuple(
        Link(menu.label, event.name, menu.order, event.roles, menu.group, menu.hint, menu.about)
        for event, menu in offered
        if menu.where == where
    )
