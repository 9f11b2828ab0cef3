"""The one way a GET answers a question: read what is asked, refuse what is unknown, answer."""

from __future__ import annotations

from typing import Any, ClassVar

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from config.refusals import refuse
from lots.api.records import BY_METAL, schema_of, show
from lots.ledger.holdings import AsOf
from lots.models import ApiToken


class Question(serializers.Serializer[Any]):
    """Query parameters. One that nobody knows is refused, so that a misspelt one does not pass."""

    def to_internal_value(self, data: Any) -> Any:
        unknown = sorted(set(data) - set(self.fields))
        if unknown:
            raise refuse(
                "unknown_filter:questions",
                field=unknown[0][:80],
                value=data.get(unknown[0]),
                it=", ".join(sorted(self.fields)),
            )
        return super().to_internal_value(data)


class AsOfQuestion(Question):
    """Asked of a moment."""

    as_of = serializers.DateTimeField(
        required=False, help_text="As of this moment, by when things happened: now if left out."
    )
    recorded_as_of = serializers.DateTimeField(
        required=False,
        help_text="As the books, as recorded by this moment, said: all of them if left out.",
    )


def moment_of(asked: dict[str, Any]) -> AsOf:
    """The moment a question is asked of."""
    return AsOf(asked.get("as_of"), asked.get("recorded_as_of"))


class QuestionView(APIView):
    """A GET that answers one question. Subclasses name `asks` and `shows`, and `answer`.

    `shows` is the type of the answer, a dataclass or a mapping of names to types, by which it is
    documented; `by_metal` names its mappings that hold micrograms without saying so.
    """

    asks: ClassVar[type[Question]] = AsOfQuestion
    shows: ClassVar[Any]
    by_metal: ClassVar[frozenset[str]] = BY_METAL
    other_answers: ClassVar[dict[Any, Any]] = {}
    scope: ClassVar[str] = ApiToken.Scope.REPORT

    def __init_subclass__(cls, **kwargs: Any) -> None:
        super().__init_subclass__(**kwargs)
        if not hasattr(cls, "shows"):
            return

        def get(self: QuestionView, request: Request, **path: Any) -> Any:
            return self.respond(self.read(request), **path)

        get.__doc__ = cls.__doc__
        cls.get = extend_schema(  # type: ignore[attr-defined]
            parameters=[cls.asks] if cls.asks().get_fields() else [],
            responses={200: cls.documented(), **cls.other_answers},
            summary=(cls.__doc__ or "").strip().splitlines()[0],
        )(get)

    @classmethod
    def documented(cls) -> dict[str, Any]:
        """How the answer is documented."""
        if isinstance(cls.shows, dict):
            properties = {name: schema_of(each, cls.by_metal) for name, each in cls.shows.items()}
            return {"type": "object", "properties": properties, "required": list(properties)}
        return schema_of(cls.shows, cls.by_metal)

    def read(self, request: Request) -> dict[str, Any]:
        """The query parameters, checked."""
        question = self.asks(data=request.query_params, context={"request": request})
        question.is_valid(raise_exception=True)
        return dict(question.validated_data)

    def answer(self, asked: dict[str, Any], **path: Any) -> Any:
        """Calls one query with what was asked."""
        raise AssertionError(f"{type(self).__name__} has no answer")

    def respond(self, asked: dict[str, Any], **path: Any) -> Any:
        return Response(show(self.answer(asked, **path), self.by_metal))
