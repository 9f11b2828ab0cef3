"""An event as a page: its form, in order of need, and its address."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from decimal import Decimal
from operator import attrgetter
from typing import Any, Final, get_origin

from django import forms
from django.core.files.base import File
from django.db.models import Model
from django.http import Http404, HttpRequest
from django.urls import URLPattern, path, reverse

from config.refusals import RefusalError
from lots.declaration.event import (
    EXACT,
    MASS,
    PARTS,
    SUBJECT,
    VOLUME,
    Event,
    Question,
    build,
    events_of,
    with_typed,
)
from lots.ledger.recording import Act
from lots.measurements.assays import Finding
from lots.models import Lot, Movement
from lots.pages.bench_form import MOMENT_FORMATS, ActForm, choice_field, moment_input
from lots.pages.form_fields import (
    AmountsField,
    CodeField,
    FigureField,
    FindingsField,
    FinenessField,
    LotField,
    MassesByMetalField,
    MassField,
    RowsField,
    TakesField,
    VolumeField,
)
from lots.pages.recorded import page_of, told_of
from lots.pages.steps import BenchStep
from lots.pages.unlikely import ANSWERS
from lots.people.roles import role_of_user
from lots.services.opening import Amount
from lots.services.taking import Take

Maker = Callable[..., forms.Field]
# A text of more lines goes over the whole width.
SHORT_ROWS: Final = 3


def _plain(field: Callable[..., forms.Field]) -> Maker:
    return lambda question, **kwargs: field(**kwargs)


def _figure(question: Question, **kwargs: Any) -> forms.Field:
    asks = question.asks
    least = Decimal(0) if asks.at_least is None else Decimal(asks.at_least)
    most = None if asks.at_most is None else Decimal(asks.at_most)
    return FigureField(minimum=least, maximum=most, decimals_max=asks.decimals, **kwargs)


def _count(question: Question, **kwargs: Any) -> forms.Field:
    widget = forms.NumberInput({"inputmode": "numeric"})
    limits: dict[str, Any] = {
        "min_value": question.asks.at_least,
        "max_value": question.asks.at_most,
    }
    return forms.IntegerField(widget=widget, **limits, **kwargs)


def _text(question: Question, **kwargs: Any) -> forms.Field:
    if question.asks.long:
        kwargs["widget"] = forms.Textarea({"rows": question.asks.long})
        kwargs["widget"].wide = question.asks.long > SHORT_ROWS
    assert isinstance(question.asks.at_most, int), f"{question.name} has no greatest length"
    return forms.CharField(max_length=question.asks.at_most, **kwargs)


def _row(question: Question, **kwargs: Any) -> forms.Field:
    if question.type is Lot and question.asks.among is None:
        return LotField(**kwargs)
    if question.asks.typed_code:
        return CodeField(question.type, **kwargs)
    rows = question.type._default_manager.all()
    if question.asks.among is not None:
        rows = question.asks.among()
    elif any(each.name == "is_active" for each in question.type._meta.fields):
        rows = rows.filter(is_active=True)
    field = forms.ModelChoiceField(rows, **kwargs)
    if question.asks.empty:
        field.empty_label = question.asks.empty
    return field


def _rows(question: Question, **kwargs: Any) -> forms.Field:
    assert question.item is not None
    rows = question.asks.among() if question.asks.among else question.item.type.objects.all()
    return RowsField(rows, widget=forms.CheckboxSelectMultiple, **kwargs)


def _choice(question: Question, **kwargs: Any) -> forms.Field:
    choices = question.asks.offered or question.asks.choices
    if get_origin(question.type) is Sequence:
        ticks = {"widget": forms.CheckboxSelectMultiple, **kwargs}
        return forms.MultipleChoiceField(choices=getattr(choices, "choices", choices), **ticks)
    return choice_field(choices, **kwargs)


FIELDS: Final[dict[Any, Maker]] = {
    MASS: lambda question, **kwargs: MassField(positive=question.asks.positive, **kwargs),
    VOLUME: _plain(VolumeField),
    "choice": _choice,
    Model: _row,
    str: _text,
    int: _count,
    bool: _plain(forms.BooleanField),
    Decimal: _figure,
    EXACT: _figure,
    PARTS: _figure,
    dt.datetime: lambda question, **kwargs: forms.DateTimeField(
        widget=moment_input(), input_formats=MOMENT_FORMATS, **kwargs
    ),
    dt.date: lambda question, **kwargs: forms.DateField(
        widget=forms.DateInput({"type": "date"}, format="%Y-%m-%d"), **kwargs
    ),
    File: lambda question, **kwargs: forms.FileField(
        allow_empty_file=True,
        widget=forms.ClearableFileInput({"accept": question.asks.offered or ""}),
        **kwargs,
    ),
    Mapping[str, Decimal]: _plain(FinenessField),
    Mapping[str, int]: _plain(MassesByMetalField),
    Mapping[str, Finding]: _plain(FindingsField),
    Mapping[str, Amount]: _plain(AmountsField),
    Sequence[Take]: _plain(TakesField),
    Sequence[Model]: _rows,
    "day": lambda question, **kwargs: forms.DateTimeField(
        widget=forms.DateInput({"type": "date"}), **kwargs
    ),
}


def field_for(question: Question, *, needed: bool) -> forms.Field:
    asks = question.asks
    kwargs: dict[str, Any] = {
        "label": question.label,
        "help_text": asks.help,
        "required": needed and question.type is not bool,
    }
    initial = question.default if asks.initial is None else asks.initial
    if question.kind not in {MASS, VOLUME} and initial not in (None, "", {}, ()):
        kwargs["initial"] = initial
    return FIELDS[question.kind](question, **kwargs)


class EventForm(ActForm):
    """The form of an event: one field a question, a field for each part of a dataclass."""

    def __init__(self, *args: Any, event: Event, subject: Any = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.event = event
        self.asked_as = {**ActForm.asked_as, **{k: v for k, v in event.asked_as.items() if v}}
        # The field of each question by its path, as in weight.gross.
        self.asked: dict[str, str] = {}
        last = {name: self.fields.pop(name) for name in ("occurred_at", "note", "key")}
        last["occurred_at"].label, last["note"].label = event.when, event.why
        last["note"].required = event.needs_why
        liquid = getattr(subject, "is_liquid", None)
        for question in event.questions:
            if question.asks.liquid in (None, liquid):
                self._ask(question, question.name, needed=question.needed)
        named = [name for name in event.order if name in self.fields]
        rest = [name for name in self.fields if name not in named]
        self.order_fields([*named, *sorted(rest, key=lambda each: not self.fields[each].required)])
        for name, field in last.items():
            if field.label != "" and name not in self.fields:
                self.fields[name] = field
        for field in self.fields.values():
            if isinstance(field, forms.ModelChoiceField) and field.empty_label == "---------":
                field.empty_label = "Choose …" if field.required else "–"

    def _ask(self, question: Question, path: str, *, needed: bool) -> None:
        asks = question.asks
        if not asks.on_page or asks.typed or _within(path) in self.event.fixed:
            return
        if not question.parts:
            name = question.name if question.name not in self.fields else path.replace(".", "_")
            self.fields[name] = field_for(question, needed=needed)
            self.asked[path] = name
            return
        for part in question.parts:
            self._ask(part, f"{path}.{part.name}", needed=needed and part.needed)
        # What is refused of the whole stands at its first field.
        first = next(name for each, name in self.asked.items() if each.startswith(f"{path}."))
        self.asked_as = {question.name: first, **self.asked_as}

    @property
    def rest(self) -> list[str]:
        """What may be left out and is not in the event's order of need."""
        own = [*self.asked.values(), "occurred_at", "note"]
        rest = [name for name in own if name in self.fields and not self.fields[name].required]
        rest = [name for name in rest if name not in self.event.order]
        # Where nothing is needed, what is asked is the step.
        return rest if set(self.asked.values()) - set(rest) else rest[len(self.asked) :]

    def clean(self) -> dict[str, Any]:
        data: dict[str, Any] = super().clean() or self.cleaned_data
        asked = {name.partition("-")[0] for name in self.data} - {
            "csrfmiddlewaretoken",
            "keep",
            *ANSWERS,
        }
        if unknown := sorted(asked - set(self.fields)):
            self.add_error(None, f"This form does not ask for “{unknown[0][:40]}”. Open it again.")
        for question in self.event.questions:
            self._check_whole(question, question.name)
        return data

    def _check_whole(self, question: Question, path: str) -> None:
        """Refuses a dataclass given in part: what it needs is asked for beside its field."""
        fields = {part: self.asked.get(f"{path}.{part.name}") for part in question.parts}
        values = {name: self.cleaned_data.get(name) for name in fields.values() if name}
        given = [name for name, value in values.items() if value and not self._begun(name)]
        for part, name in fields.items():
            needed = given and name and part.needed and _is_empty(values[name])
            if needed and name not in self.errors:
                label = self.fields[given[0]].label or given[0]
                self.add_error(name, f"Needed where “{label}” is given.")
            self._check_whole(part, f"{path}.{part.name}")

    def _begun(self, name: str) -> bool:
        """Whether a field still says what the form began with, which nobody chose."""
        initial = self.fields[name].initial
        return initial is not None and str(self.data.get(name)) == str(initial)

    def answers(self) -> dict[str, Any]:
        """What was answered, by question: dataclasses whole, or None where nothing was."""
        return {each.name: self._answer(each, each.name) for each in self.event.questions}

    def _answer(self, question: Question, path: str) -> Any:
        if _within(path) in self.event.fixed:
            return self.event.fixed[_within(path)]
        if not question.parts:
            value = self.cleaned_data.get(self.asked.get(path, ""))
            return None if _is_empty(value) else value
        paths = {part: f"{path}.{part.name}" for part in question.parts}
        found = {part: self._answer(part, at) for part, at in paths.items()}
        given = {part: value for part, value in found.items() if value is not None}
        chosen = [part for part in given if _within(paths[part]) not in self.event.fixed]
        if not question.needed and not any(given[part] is not False for part in chosen):
            return None
        if any(part.needed and part not in given for part in question.parts):
            return None
        answers = {part.name: value for part, value in given.items()}
        sent = {
            name: field.widget.value_from_datadict(self.data, self.files, name)
            for name, field in self.fields.items()
        }
        return build(question.type, question.parts, with_typed(question.parts, answers, sent))


def _within(path: str) -> str:
    """The end of a path as `fixed` has it: a part of a dataclass, wherever that stands."""
    return ".".join(path.split(".")[-2:])


def _is_empty(value: Any) -> bool:
    return value is None or value in ("", {}, [], ())


class EventPage(BenchStep):
    """The page of an event. Subclasses give a page its own shape: see each app's `overrides`."""

    event: Event

    def find(self, request: HttpRequest, **address: Any) -> Any:
        if self.event.on is None:
            return None
        try:
            subject = self.event.on.find(address)
        except RefusalError as refusal:
            raise Http404 from refusal
        if self.event.on.cautions is not None:
            self.cautions = self.event.on.cautions(subject)
        return subject

    def make_form(self, **kwargs: Any) -> ActForm:
        return EventForm(event=self.event, subject=self.subject, **kwargs)

    def perform(self, act: Act, form: Any) -> Model:
        return self.event.service(**self.event.arguments(form.answers(), self.subject), act=act)

    def initial(self, request: HttpRequest) -> dict[str, Any]:
        """What the address says; of rows to tick, every one it names."""
        several = [each.name for each in self.event.questions if each.kind == Sequence[Model]]
        named = {name: request.GET.getlist(name)[:100] for name in several}
        begins = self.event.begins(self.subject) if self.event.begins else {}
        return {**begins, **super().initial(request), **named}

    def context(self) -> dict[str, Any]:
        beside = self.event.beside
        return dict(beside(self.subject, self.request.user)) if beside else {}

    def after(self, recorded: Any) -> str:
        on, (name, _, of) = self.event.on, self.event.lands.partition(" ")
        if name and name != SUBJECT:
            return reverse(name, args=[attrgetter(of)(recorded)] if of else [])
        if on is None or not on.page or self._is_gone(recorded):
            return page_of(recorded)
        return reverse(on.page, args=[attrgetter(on.page_of)(self.subject)])

    def _is_gone(self, recorded: Any) -> bool:
        """Whether the lot it happened to was used up in making another."""
        if not isinstance(recorded, Lot) or not isinstance(self.subject, Lot):
            return False
        return Lot.objects.filter(pk=self.subject.pk, state=Lot.State.SPENT).exists()

    def told(self, recorded: Any, movement: Movement | None) -> str:
        role = role_of_user(self.request.user)
        for event in events_of(self.event.app) if movement is None else ():
            is_way_back = (event.page_at or event.at).endswith("withdraw") and event.title
            if not is_way_back or event.on is None or event.on is self.event.on:
                continue
            if isinstance(recorded, event.on.model) and (not event.roles or role in event.roles):
                return told_of(self.done, event.name, recorded)
        return super().told(recorded, movement)


# What a page says as its event does.
SAID: Final = ("title", "lead", "button", "done", "roles", "cautions", "offered_forms", "section")


def page_paths(app: str, overrides: Mapping[str, type[EventPage]]) -> list[URLPattern]:
    """The addresses of the app's events that have a page."""
    found = []
    for event in events_of(app):
        if event.title:
            said = {name: getattr(event, name) for name in SAID}
            members = {"event": event, "template_name": event.template, **said}
            page: Any = type(event.stem, (overrides.get(event.name, EventPage),), members)
            address = event.address(event.page_at or event.at)
            found.append(path(address, page.as_view(), name=event.name))
    return found
