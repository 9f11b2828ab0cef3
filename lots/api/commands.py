"""The one way a POST changes something: validate, act once, answer alike when repeated."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any, ClassVar

from django.db import transaction
from django.db.models import Model
from django.http import QueryDict
from drf_spectacular.extensions import OpenApiSerializerExtension
from drf_spectacular.openapi import AutoSchema
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import Direction, OpenApiParameter, extend_schema, extend_schema_field
from rest_framework import serializers, status
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from config.database_trouble import tried_again
from config.refusals import refuse
from lots.cautions import cautions_for
from lots.ledger.recording import KEY_LENGTH_MAX, NOTE_LENGTH_MAX, Act, remember_answer
from lots.measurements.unlikely import Asking

KEY_HEADER = "Idempotency-Key"


class ProblemSerializer(serializers.Serializer[Any]):
    """One row's problem within an answer; what any request may meet is described elsewhere."""

    code = serializers.CharField()
    field = serializers.CharField(allow_null=True)
    value = serializers.CharField(allow_null=True)
    message = serializers.CharField()
    remedy = serializers.CharField()
    questions = serializers.ListField(
        child=serializers.DictField(),
        required=False,
        help_text="With `unlikely`: the range, why, and what may be meant.",
    )


@extend_schema_field(
    {"oneOf": [{"type": "boolean"}, {"type": "array", "items": {"type": "string"}}]}
)
class ConfirmField(serializers.Field[Any, Any, Any, Any]):
    """Figures that are right though unlikely: their fields, or true for all of them."""

    def to_internal_value(self, data: Any) -> bool | tuple[str, ...]:
        if isinstance(data, bool):
            return data
        if isinstance(data, str) and data in {"true", "false"}:  # beside a file
            return data == "true"
        if isinstance(data, list) and all(isinstance(each, str) for each in data):
            return tuple(data)
        raise refuse("not_fields", field="confirm", value=data)

    def to_representation(self, value: Any) -> Any:
        return value


class Strict(serializers.Serializer[Any]):
    def to_internal_value(self, data: Any) -> Any:
        """Refuses names nobody knows, so that a misspelt field is not silently ignored."""
        if isinstance(data, dict):
            unknown = sorted(set(data) - set(self.fields))
            if unknown:
                raise serializers.ValidationError(
                    {str(unknown[0])[:80]: "This field is not known here."}, code="unknown_field"
                )
        return super().to_internal_value(data)


class ActSerializer(Strict):
    """What every recorded act may say: when it happened (now if left out) and a note."""

    occurred_at = serializers.DateTimeField(required=False)
    note = serializers.CharField(
        required=False, default="", allow_blank=True, max_length=NOTE_LENGTH_MAX
    )
    confirm = ConfirmField(
        required=False,
        help_text="Fields whose unlikely figures are right as sent, or true for all of them.",
    )


KEY_PARAMETER = OpenApiParameter(
    KEY_HEADER,
    OpenApiTypes.STR,
    OpenApiParameter.HEADER,
    description=f"A unique text of at most {KEY_LENGTH_MAX} characters. The same request with the "
    "same key is recorded once and answered alike.",
)


class ActDescription(OpenApiSerializerExtension):  # type: ignore[no-untyped-call]
    """Describes that an act's unknown fields are refused."""

    target_class = ActSerializer
    match_subclasses = True

    def map_serializer(self, auto_schema: AutoSchema, direction: Direction) -> dict[str, Any]:
        described = auto_schema._map_serializer(self.target, direction, bypass_extensions=True)  # type: ignore[no-untyped-call]
        return {**described, "additionalProperties": False}


class WithCautions(serializers.Serializer[Any]):
    """Adds the cautions of a bench step to what a command answers."""

    step: ClassVar[str]
    cautions = serializers.SerializerMethodField()

    @extend_schema_field({"type": "array", "items": {"type": "string"}})
    def get_cautions(self, recorded: Any) -> list[str]:
        return list(cautions_for(self.step).lines)


def with_cautions(output: Any, step: str, name: str) -> Any:
    """The output serializer with the cautions of `step` in it."""
    meta = type("Meta", (output.Meta,), {"fields": [*output.Meta.fields, "cautions"]})
    members = {"Meta": meta, "step": step, "__doc__": output.__doc__}
    return type(name, (WithCautions, output), members)


class CommandView(APIView):
    """A POST that records one thing. Subclasses name `input`, `output` and `perform`.

    `writers` limits which roles may call it; any of the works' staff may when it is absent. `step`
    names the bench step whose cautions come with the answer.
    """

    input: ClassVar[type[serializers.Serializer[Any]]]
    output: ClassVar[type[serializers.BaseSerializer[Any]]]
    step: ClassVar[str] = ""
    summary: ClassVar[str] = ""
    answer_status: ClassVar[int] = status.HTTP_201_CREATED
    # What is answered this once, and is never among the answers that are kept.
    never_kept: ClassVar[tuple[str, ...]] = ()

    def __init_subclass__(cls, **kwargs: Any) -> None:
        super().__init_subclass__(**kwargs)
        if not hasattr(cls, "input"):
            return
        if cls.step and not issubclass(cls.output, WithCautions):
            cls.output = with_cautions(cls.output, cls.step, f"{cls.__name__}Answer")

        def post(self: CommandView, request: Request, **path: Any) -> Response:
            return self.record(request, **path)

        post.__doc__ = cls.__doc__
        cls.post = extend_schema(  # type: ignore[attr-defined]
            request=cls.input,
            responses={cls.answer_status: cls.output},
            parameters=[KEY_PARAMETER],
            summary=cls.summary or (cls.__doc__ or "").strip().splitlines()[0],
        )(post)

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Model:
        """Calls one service with the validated input and returns what it recorded."""
        raise AssertionError(f"{type(self).__name__} has no perform")

    def asked(self, path: str) -> str | None:
        """The request's own name for a field of the service."""
        return path

    def show(self, recorded: Any) -> Any:
        """The recorded thing as the answer's data."""
        return self.output(recorded, context={"request": self.request}).data

    def record(self, request: Request, **path: Any) -> Response:
        body = self.input(data=facts_of(request), context={"request": request})
        body.is_valid(raise_exception=True)
        data = dict(body.validated_data)
        act = act_of(request, data, self.asked)

        def once() -> dict[str, Any]:
            with transaction.atomic():
                recorded = self.perform(act, dict(data), **path)
                shown = as_plain(self.show(recorded))
                secret = {name: shown.pop(name) for name in self.never_kept}
                return {**remember_answer(act.key, shown), **secret}

        return Response(tried_again(once), status=self.answer_status)


def facts_of(request: Request) -> Any:
    """What the body says, the same beside a file as in JSON: what is left out has its default."""
    data = request.data
    return data.dict() if isinstance(data, QueryDict) else data


def act_of(
    request: Request,
    data: dict[str, Any],
    asked: Callable[[str], str | None] = lambda path: path,
) -> Act:
    """Takes who, when, why and the key out of a request; the rest of `data` is the service's.

    `asked` gives the request's own name for a field, by which unlikely figures are confirmed.
    """
    confirm = data.pop("confirm", False)

    def is_confirmed(path: str) -> bool:
        return confirm if isinstance(confirm, bool) else asked(path) in confirm

    return Act(
        who=request.user,  # type: ignore[arg-type]
        occurred_at=data.pop("occurred_at", None),
        key=request.headers.get(KEY_HEADER, "").strip(),
        note=data.pop("note", ""),
        doubter=Asking(is_confirmed),
    )


def as_plain(data: Any) -> Any:
    """Serializer data as what JSON carries, so that a stored answer equals a fresh one."""
    return json.loads(JSONRenderer().render(data))
