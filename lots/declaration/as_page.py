"""An event as a page: its form, in order of need, and its address."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator, Mapping, Sequence
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
    FigureField,
    FindingsField,
    FinenessField,
    LotField,
    MassesByMetalField,
    MassField,
    TakesField,
    VolumeField,
)
from lots.pages.steps import BenchStep, receipt_address
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
        return _CodeField(question.type, **kwargs)
    rows = question.type._default_manager.all()
    if question.asks.among is not None:
        rows = question.asks.among()
    elif any(each.name == "is_active" for each in question.type._meta.fields):
        rows = rows.filter(is_active=True)
    field = forms.ModelChoiceField(rows, **kwargs)
    if question.asks.empty:
        field.empty_label = question.asks.empty
    return field


class _CodeField(forms.CharField):
    """A row by its code, as typed."""

    def __init__(self, model: type[Model], **kwargs: Any) -> None:
        widget = forms.TextInput({"autocomplete": "off", "spellcheck": "false"})
        super().__init__(max_length=20, widget=widget, **kwargs)
        self.model = model

    def clean(self, value: Any) -> Any:
        code = super().clean(value).strip().upper()
        found = self.model._default_manager.filter(code=code).first()
        if code and found is None:
            named = self.model._meta.verbose_name
            raise forms.ValidationError(f"There is no {named} of this code.", code="unknown")
        return found


def _rows(question: Question, **kwargs: Any) -> forms.Field:
    assert question.item is not None
    rows = question.asks.among() if question.asks.among else question.item.type.objects.all()
    return _RowsField(rows, widget=forms.CheckboxSelectMultiple, **kwargs)


class _RowsField(forms.ModelMultipleChoiceField):  # type: ignore[type-arg]
    def clean(self, value: Any) -> Any:
        return list(super().clean(value))


def _choice(question: Question, **kwargs: Any) -> forms.Field:
    choices = question.asks.offered or question.asks.choices
    if get_origin(question.type) is Sequence:
        return forms.MultipleChoiceField(choices=choices.choices, **kwargs)
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
        liquid = getattr(subject, "is_liquid", None)
        # Where each question's field or parts' fields stand.
        self.asked: list[tuple[Question, str]] = []
        last = {name: self.fields.pop(name) for name in ("occurred_at", "note", "key")}
        last["note"].label, last["note"].required = event.why, event.needs_why
        last["occurred_at"].label = event.when
        if event.when is None:
            last["occurred_at"].widget = forms.HiddenInput()
        for question in event.questions:
            if not question.asks.on_page or question.name in event.fixed:
                continue
            if question.asks.liquid is not None and question.asks.liquid != liquid:
                continue
            self._ask(question, needed=question.needed, within=question.name)
        named = [name for name in event.order if name in self.fields]
        rest = [name for name in self.fields if name not in named]
        self.order_fields([*named, *sorted(rest, key=lambda each: not self.fields[each].required)])
        for name, field in last.items():
            asked = name == "key" or not event.timeless
            if asked and name not in {question.name for question in event.questions}:
                self.fields[name] = field
        for field in self.fields.values():
            if isinstance(field, forms.ModelChoiceField) and field.empty_label == "---------":
                field.empty_label = "Choose …" if field.required else "–"

    def _ask(self, question: Question, *, needed: bool, within: str) -> None:
        if question.parts:
            first = len(self.asked)
            for part in self._parts(question):
                self._ask(part, needed=needed and part.needed, within=f"{within}.{part.name}")
            # What is refused of the whole stands at its first field.
            self.asked_as = {question.name: self.asked[first][1], **self.asked_as}
            return
        name = question.name
        if name in self.fields:
            name = within.replace(".", "_")
        self.fields[name] = field_for(question, needed=needed)
        self.asked.append((question, name))

    def _parts(self, question: Question) -> Iterator[Question]:
        for part in question.parts:
            fixed = f"{question.name}.{part.name}" in self.event.fixed
            if part.asks.on_page and not part.asks.typed and not fixed:
                yield part

    def clean(self) -> dict[str, Any]:
        """Refuses a dataclass given in part: what it needs is asked for beside its field."""
        data: dict[str, Any] = super().clean() or self.cleaned_data
        asked = {name.partition("-")[0] for name in self.data} - {"csrfmiddlewaretoken", "keep"}
        if unknown := sorted(asked - set(self.fields)):
            self.add_error(None, f"This form does not ask for “{unknown[0][:40]}”. Open it again.")
        for question in self._wholes(self.event.questions):
            parts = self._named(question)
            given = [name for _, name in parts if data.get(name) and not self._begun(name)]
            for part, name in parts:
                if given and part.needed and _is_empty(data.get(name)) and name not in self.errors:
                    label = self.fields[given[0]].label or given[0]
                    self.add_error(name, f"Needed where “{label}” is given.")
        return data

    def _begun(self, name: str) -> bool:
        """Whether a field still says what the form began with, which nobody chose."""
        initial = self.fields[name].initial
        return initial is not None and str(self.data.get(name)) == str(initial)

    def _wholes(self, questions: Sequence[Question]) -> Iterator[Question]:
        for question in questions:
            if question.parts:
                yield question
                yield from self._wholes(question.parts)

    def _named(self, question: Question) -> list[tuple[Question, str]]:
        own = {id(part) for part in question.parts}
        return [(part, name) for part, name in self.asked if id(part) in own]

    def answers(self) -> dict[str, Any]:
        """What was answered, by question: dataclasses whole, or None where nothing was."""
        found: dict[str, Any] = dict(self.event.fixed)
        by_question = {id(question): name for question, name in self.asked}
        for question in self.event.questions:
            if question.parts:
                found[question.name] = self._made(question)
            elif id(question) in by_question:
                value = self.cleaned_data[by_question[id(question)]]
                found[question.name] = None if _is_empty(value) else value
        return found

    def _made(self, question: Question) -> Any:
        named = {part.name: self.cleaned_data[name] for part, name in self._named(question)}
        named |= {part.name: self._made(part) for part in question.parts if part.parts}
        answers = {name: value for name, value in named.items() if not _is_empty(value)}
        if not question.needed and not any(value is not False for value in answers.values()):
            return None
        prefix = f"{question.name}."
        fixed = {
            key.removeprefix(prefix): value
            for key, value in self.event.fixed.items()
            if key.startswith(prefix)
        }
        needed = {part.name for part in question.parts if part.needed} - set(fixed)
        if needed - set(answers):
            return None
        return build(
            question.type, question.parts, with_typed(question.parts, answers | fixed, self.data)
        )


def _is_empty(value: Any) -> bool:
    return value is None or value in ("", {}, [], ())


class EventPage(BenchStep):
    """The page of an event. Subclasses give a page its own shape: see each app's `overrides`."""

    event: Event

    def setup(self, request: HttpRequest, *args: Any, **kwargs: Any) -> None:
        super().setup(request, *args, **kwargs)
        event, on = self.event, self.event.on
        for name in ("title", "lead", "button", "done", "roles", "cautions", "offered_forms"):
            setattr(self, name, getattr(event, name))
        self.section = event.section or (on.section if on else "bench")
        self.template_name = event.template or (on.template if on else self.template_name)

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
        return dict(self.event.beside(self.subject)) if self.event.beside else {}

    def after(self, recorded: Any) -> str:
        on = self.event.on
        if self.event.lands_on:
            of = self.event.lands_of
            return reverse(self.event.lands_on, args=[attrgetter(of)(recorded)] if of else [])
        made = getattr(recorded, "movement", None) or getattr(recorded, "lot", None) or recorded
        receipt = isinstance(made, Lot | Movement) and not self.event.lands_on_subject
        if on is not None and on.page and not receipt:
            return reverse(on.page, args=[attrgetter(on.page_of)(self.subject)])
        return receipt_address(made)


def page_paths(app: str, overrides: Mapping[str, type[EventPage]]) -> list[URLPattern]:
    """The addresses of the app's events that have a page."""
    found = []
    for event in events_of(app):
        if event.on_page:
            view = overrides.get(event.name, EventPage)
            page: Any = type(event.stem, (view,), {"event": event})
            address = event.address(event.page_at or event.at)
            found.append(path(address, page.as_view(), name=event.name))
    return found
