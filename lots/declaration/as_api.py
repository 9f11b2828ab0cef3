"""An event as the API has it: its request, its view, its address."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from decimal import Decimal
from functools import cache
from typing import Any, Final

from django.core.files.base import File
from django.db.models import Model
from django.urls import URLPattern, path
from rest_framework import serializers
from rest_framework.parsers import MultiPartParser

from config.refusals import RefusalError
from lots.api.commands import ActSerializer, CommandView
from lots.api.fields import (
    AmountInput,
    ById,
    ByLot,
    ByMetalField,
    ExactField,
    FindingField,
    MassesByMetalField,
    MassField,
    PartsField,
    SeveralField,
    UploadField,
    VolumeField,
    by_code,
)
from lots.declaration.event import (
    ELEMENTS,
    EXACT,
    MASS,
    PARTS,
    VOLUME,
    Event,
    Question,
    build,
    code_of,
    events_of,
    questions_of,
    with_typed,
)
from lots.ledger.recording import Act
from lots.measurements.assays import Finding
from lots.services.opening import Amount

Maker = Callable[..., serializers.Field[Any, Any, Any, Any]]

# Which serializer answers with a recorded model, or for an event that names its own.
ANSWERS: Final[dict[Any, type[serializers.BaseSerializer[Any]]]] = {}


def _figure(question: Question, **kwargs: Any) -> serializers.Field[Any, Any, Any, Any]:
    asks = question.asks
    return serializers.DecimalField(
        max_digits=asks.digits,
        decimal_places=asks.decimals,
        min_value=None if asks.at_least is None else Decimal(asks.at_least),
        max_value=None if asks.at_most is None else Decimal(asks.at_most),
        **kwargs,
    )


def _count(question: Question, **kwargs: Any) -> serializers.Field[Any, Any, Any, Any]:
    asks = question.asks
    return serializers.IntegerField(min_value=asks.at_least, max_value=asks.at_most, **kwargs)  # type: ignore[arg-type]


def _text(question: Question, **kwargs: Any) -> serializers.Field[Any, Any, Any, Any]:
    assert isinstance(question.asks.at_most, int), f"{question.name} has no greatest length"
    blank = not (question.needed and question.asks.positive)
    return serializers.CharField(max_length=question.asks.at_most, allow_blank=blank, **kwargs)


def _row(question: Question, **kwargs: Any) -> serializers.Field[Any, Any, Any, Any]:
    named_by = code_of(question.type)
    if named_by == "code":
        return by_code(question.type, **kwargs)
    rows = question.type._default_manager.all()
    if named_by == "pk":
        return ById(queryset=rows, **kwargs)
    return ByLot(slug_field=named_by, queryset=rows, **kwargs)


def _rows(question: Question, **kwargs: Any) -> serializers.Field[Any, Any, Any, Any]:
    assert question.item is not None
    return serializers.ListField(child=_row(question.item), **kwargs)


def _amounts(question: Question, **kwargs: Any) -> serializers.Field[Any, Any, Any, Any]:
    return AmountInput(many=True, **kwargs)


def _choice(question: Question, **kwargs: Any) -> serializers.Field[Any, Any, Any, Any]:
    choices = getattr(question.asks.choices, "choices", question.asks.choices)
    if question.type == Sequence[str]:
        return SeveralField(choices=choices, **kwargs)
    if question.default == "":
        kwargs["allow_blank"] = True
    return serializers.ChoiceField(choices=choices, **kwargs)


def _exact(question: Question, **kwargs: Any) -> serializers.Field[Any, Any, Any, Any]:
    asks = question.asks
    limits = {"minimum": asks.at_least, "maximum": asks.at_most, "decimals_max": asks.decimals}
    return ExactField(**limits, **kwargs)


def _results(question: Question, **kwargs: Any) -> serializers.Field[Any, Any, Any, Any]:
    return serializers.DictField(child=FindingField(), allow_empty=False, **kwargs)


def _plain(field: Maker) -> Maker:
    return lambda question, **kwargs: field(**kwargs)


FIELDS: Final[dict[Any, Maker]] = {
    MASS: lambda question, **kwargs: MassField(positive=question.asks.positive, **kwargs),
    VOLUME: _plain(VolumeField),
    "choice": _choice,
    Model: _row,
    str: _text,
    int: _count,
    bool: _plain(serializers.BooleanField),
    Decimal: _figure,
    EXACT: _exact,
    PARTS: _plain(PartsField),
    ELEMENTS: lambda question, **kwargs: serializers.DictField(child=PartsField(), **kwargs),
    Mapping[str, str]: lambda question, **kwargs: serializers.DictField(
        child=serializers.CharField(max_length=question.asks.at_most), **kwargs
    ),
    Mapping[str, Any]: _plain(serializers.DictField),
    dt.datetime: _plain(serializers.DateTimeField),
    dt.date: _plain(serializers.DateField),
    File: _plain(UploadField),
    Mapping[str, object]: lambda question, **kwargs: serializers.DictField(
        child=serializers.CharField(), **kwargs
    ),
    Mapping[str, Decimal]: _plain(ByMetalField),
    Mapping[str, int]: _plain(MassesByMetalField),
    Mapping[str, Finding]: _results,
    Mapping[str, Amount]: _amounts,
    Sequence[Model]: _rows,
    "day": _plain(serializers.DateTimeField),
}


def field_for(question: Question) -> serializers.Field[Any, Any, Any, Any]:
    """The API's field; what may be left out may also be null."""
    asks = question.asks
    words = ". ".join(filter(None, (asks.label, asks.help)))
    kwargs: dict[str, Any] = {"help_text": words} if words else {}
    if not question.needed:
        kwargs["required"] = False
        if isinstance(question.default, str | bool | int) and question.kind not in {MASS, VOLUME}:
            kwargs["default"] = question.default
        elif question.type is not str:
            kwargs["allow_null"] = True
    if question.item is not None and question.kind != Sequence[Model]:
        kwargs |= {"many": True, "allow_empty": not question.needed, "max_length": asks.at_most}
        return part_serializer(question.item.type)(**kwargs)
    if question.parts:
        return part_serializer(question.type)(**kwargs)
    return FIELDS[question.kind](question, **kwargs)


class _Part(serializers.Serializer[Any]):
    """A dataclass within a request."""

    made: type[Any]
    questions: tuple[Question, ...]

    def to_internal_value(self, data: Any) -> Any:
        values = super().to_internal_value(data)
        return build(self.made, self.questions, with_typed(self.questions, values, data))


@cache
def part_serializer(made: Any) -> type[serializers.Serializer[Any]]:
    """The serializer of a dataclass, which reads as one of it."""
    questions = questions_of(made)
    members: dict[str, Any] = {
        each.name: field_for(each) for each in questions if not each.asks.typed
    }
    members |= {"made": made, "questions": questions, "__doc__": made.__doc__}
    return type(f"{made.__name__}Input", (_Part,), members)


def request_of(event: Event) -> type[ActSerializer]:
    members: dict[str, Any] = {each.name: field_for(each) for each in event.questions}
    return type(f"{event.stem}Input", (ActSerializer,), members)


class EventView(CommandView):
    """The POST that records an event."""

    event: Event

    def perform(self, act: Act, data: dict[str, Any], **address: Any) -> Model:
        subject = self.event.on.find(address) if self.event.on is not None else None
        try:
            return self.event.service(**self.event.arguments(data, subject), act=act)
        except RefusalError as refusal:
            refusal.field = self.event.asked(refusal.field)
            for question in refusal.questions:
                question["field"] = self.event.asked(question["field"])
            raise

    def asked(self, path: str) -> str | None:
        return self.event.asked(path)


def view_of(event: Event) -> type[EventView]:
    takes_file = any(each.kind is File for each in event.questions)
    members = {
        "event": event,
        "input": request_of(event),
        "output": ANSWERS.get(event) or ANSWERS[event.recorded],
        "never_kept": event.never_kept,
        "step": event.cautions[0] if event.cautions else "",
        "writers": event.roles,
        **({"parser_classes": [MultiPartParser]} if takes_file else {}),
        "__doc__": event.about,
    }
    return type(event.stem, (EventView,), members)


def api_paths(app: str) -> list[URLPattern]:
    """The addresses of the app's events."""
    return [
        path(event.address(event.at), view_of(event).as_view())
        for event in events_of(app)
        if event.at
    ]
