"""The one way a GET answers a question: read what is asked, refuse what is unknown, answer."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar, Final

from django.db.models import Choices
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from config.refusals import refuse
from lots.api.records import BY_METAL, Shown, schema_of, show
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


AS_OF: Final = serializers.DateTimeField(
    required=False, help_text="As of this moment, by when things happened: now if left out."
)
RECORDED_AS_OF: Final = serializers.DateTimeField(
    required=False,
    help_text="As the books, as recorded by this moment, said: all of them if left out.",
)
AT_A_MOMENT: Final[dict[str, Any]] = {"as_of": AS_OF, "recorded_as_of": RECORDED_AS_OF}


def choice_of(choices: type[Choices], **kwargs: Any) -> serializers.ChoiceField:
    """One of a closed list, or none."""
    return serializers.ChoiceField(choices=choices.choices, required=False, **kwargs)


def question_of(asks: Mapping[str, Any]) -> type[Question]:
    """The query parameters of these fields, by name."""
    return type("Asked", (Question,), dict(asks))


def moment_of(asked: dict[str, Any]) -> AsOf:
    """The moment a question is asked of."""
    return AsOf(asked.get("as_of"), asked.get("recorded_as_of"))


class QuestionView(APIView):
    """A GET that answers one question. Subclasses name `asks` and `shows`, and `answer`.

    `asks` are its parameters by name. `shows` is the type of the answer, by which it is documented:
    a dataclass, a `Shown` or its parts, or None where it has no JSON; `by_metal` names its mappings
    that hold micrograms without saying so.
    """

    asks: ClassVar[Mapping[str, Any]] = AT_A_MOMENT
    shows: ClassVar[Any]
    question: ClassVar[type[Question]]
    summary: ClassVar[str] = ""
    by_metal: ClassVar[frozenset[str]] = BY_METAL
    other_answers: ClassVar[dict[Any, Any]] = {}
    scope: ClassVar[str] = ApiToken.Scope.REPORT

    def __init_subclass__(cls, **kwargs: Any) -> None:
        super().__init_subclass__(**kwargs)
        if not hasattr(cls, "shows"):
            return
        if isinstance(cls.shows, dict):
            cls.shows = Shown("", cls.shows)

        def get(self: QuestionView, request: Request, **path: Any) -> Any:
            return self.respond(self.read(request), **path)

        get.__doc__ = cls.__doc__
        cls.question = question_of(cls.asks)
        known = {} if cls.shows is None else {200: cls.documented()}
        cls.get = extend_schema(  # type: ignore[attr-defined]
            parameters=[cls.question] if cls.asks else [],
            responses={**known, **cls.other_answers},
            summary=cls.summary or (cls.__doc__ or "").strip().splitlines()[0],
        )(get)

    @classmethod
    def documented(cls) -> dict[str, Any]:
        """How the answer is documented."""
        return schema_of(cls.shows, cls.by_metal)

    def shown(self, answered: Any) -> Any:
        """The answer as plain data for JSON."""
        if isinstance(self.shows, Shown):
            return self.shows.of(answered, self.by_metal)
        return show(answered, self.by_metal)

    def read(self, request: Request) -> dict[str, Any]:
        """The query parameters, checked."""
        question = self.question(data=request.query_params, context={"request": request})
        question.is_valid(raise_exception=True)
        return dict(question.validated_data)

    def answer(self, asked: dict[str, Any], **path: Any) -> Any:
        """Calls one query with what was asked."""
        raise AssertionError(f"{type(self).__name__} has no answer")

    def respond(self, asked: dict[str, Any], **path: Any) -> Any:
        return Response(self.shown(self.answer(asked, **path)))
