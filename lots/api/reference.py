"""Parties, places and balances: reference data that may be edited, one version after another."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, ClassVar, Final, cast

from django.db import transaction
from django.db.models import Model
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema, extend_schema_field
from rest_framework import serializers, status
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.viewsets import ReadOnlyModelViewSet

from config.refusals import refuse
from lots.api.commands import KEY_PARAMETER, act_of, as_plain
from lots.api.fields import MASS as SHOWN_MASS
from lots.api.fields import MASS_ASKED, VOLUME_ASKED, MassField, VolumeField
from lots.api.listed import narrowed
from lots.api.records import VOLUME as SHOWN_VOLUME
from lots.declaration.event import MASS, VOLUME, Question, questions_of
from lots.ledger.recording import remember_answer
from lots.models import Party, Place
from lots.people.roles import OFFICE
from lots.services import reference

VERSION_PARAMETER = OpenApiParameter(
    "If-Match",
    OpenApiTypes.STR,
    OpenApiParameter.HEADER,
    required=True,
    description="The version that was read, as its ETag gave it.",
)


class OfServices(serializers.ModelSerializer[Any]):
    """Uniqueness is the services' to refuse, with their own codes."""

    def get_validators(self) -> list[Any]:
        return []


class VersionedEdits(ReadOnlyModelViewSet[Any]):
    """Create, and edit under a version check: send the version you saw as `If-Match`.

    Subclasses name the service's input type and its two services; `subject` is what the editing
    service calls the thing.
    """

    lookup_field = "code"
    lookup_value_regex = "[-a-zA-Z0-9_]{1,24}"
    http_method_names = ["get", "post", "patch", "head", "options"]
    writers = OFFICE
    subject: ClassVar[str]
    details: ClassVar[Callable[..., Any]]
    create_service: ClassVar[Callable[..., Any]]
    edit_service: ClassVar[Callable[..., Any]]

    def retrieve(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self._answer(self.get_object(), status.HTTP_200_OK)

    @extend_schema(parameters=[KEY_PARAMETER], responses={201: None})
    def create(self, request: Request) -> Response:
        body = self.get_serializer(data=request.data)
        body.is_valid(raise_exception=True)
        data = dict(body.validated_data)
        act = act_of(request, {})
        with transaction.atomic():
            made = type(self).create_service(details=type(self).details(**data), act=act)
            answer = remember_answer(act.key, as_plain(self.get_serializer(made).data))
        return Response(answer, status=status.HTTP_201_CREATED, headers=_etag(made))

    @extend_schema(parameters=[KEY_PARAMETER, VERSION_PARAMETER])
    def partial_update(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        instance = self.get_object()
        body = self.get_serializer(instance, data=request.data, partial=True)
        body.is_valid(raise_exception=True)
        known = {
            str(field.source): getattr(instance, str(field.source))
            for field in cast(serializers.Serializer[Any], body).fields.values()
            if not field.read_only
        }
        edited = type(self).edit_service(
            **{self.subject: instance},
            version=version_seen(request),
            details=type(self).details(**{**known, **body.validated_data}),
            act=act_of(request, {}),
        )
        return self._answer(edited, status.HTTP_200_OK)

    def _answer(self, instance: Model, code: int) -> Response:
        return Response(self.get_serializer(instance).data, status=code, headers=_etag(instance))


def _etag(instance: Any) -> dict[str, str]:
    return {"ETag": f'"{instance.version}"'}


def version_seen(request: Request) -> int:
    """The version an edit says it saw. Raises InvalidError `version_needed`."""
    given = request.headers.get("If-Match", "").strip().strip('"')
    if not given.isascii() or not given.isdigit() or len(given) > 9:
        raise refuse("version_needed", field="If-Match", value=given or None)
    return int(given)


@extend_schema_field({"anyOf": [MASS_ASKED, SHOWN_MASS]})
class KeptMass(MassField):
    """A mass, sent with its unit and shown in all of them."""


@extend_schema_field({"anyOf": [VOLUME_ASKED, SHOWN_VOLUME]})
class KeptVolume(VolumeField):
    """A volume, sent with its unit and shown in all of them."""


_QUANTITIES: Final = {MASS: KeptMass, VOLUME: KeptVolume}


def serializer_of(
    model: type[Model], details: Any, *told: str, **declared: Any
) -> type[OfServices]:
    """A kind of reference data as its details ask for it: masses and volumes with their units.

    `told` names columns that are shown beside, `declared` fields of their own.
    """
    asked = questions_of(details)
    for each in asked:
        if each.kind in _QUANTITIES:
            declared[each.name] = _quantity(each)
    read_only = [*told, "version"]
    meta = {
        "model": model,
        "fields": [*(each.name for each in asked), *read_only],
        "read_only_fields": read_only,
        "extra_kwargs": {
            "code": {"validators": [], "required": False, "allow_blank": True},
            "kind": {"validators": []},
        },
    }
    members = {**declared, "Meta": type("Meta", (), meta)}
    return type(f"{model.__name__}Serializer", (OfServices,), members)


def _quantity(question: Question) -> serializers.Field[Any, Any, Any, Any]:
    kwargs: dict[str, Any] = {"source": question.param, "help_text": question.asks.help}
    if not question.needed:
        kwargs |= {"required": False, "allow_null": True}
    if question.kind == MASS and not question.asks.positive:
        kwargs["positive"] = False
    made: serializers.Field[Any, Any, Any, Any] = _QUANTITIES[question.kind](**kwargs)
    return made


def versioned(
    kept: reference.Kept, search: str, orders: str, *told: str, **by: Any
) -> type[VersionedEdits]:
    """The list of a kind of reference data, which is added to and edited."""
    name = kept.model.__name__
    view = {
        "queryset": kept.model.objects.all(),
        "serializer_class": serializer_of(kept.model, kept.details, *told),
        "filterset_class": narrowed(kept.model, **by),
        "search_fields": search.split(),
        "ordering_fields": orders.split(),
        "ordering": ["name", "id"],
        "subject": kept.kind,
        "details": kept.details,
        "create_service": kept.create,
        "edit_service": kept.edit,
    }
    return type(f"{name}ViewSet", (VersionedEdits,), view)


PartyViewSet = versioned(
    reference.PARTY, "code name contact", "code name kind", kind=Party.Kind, is_active=bool
)
PlaceViewSet = versioned(
    reference.PLACE, "code name", "code name area", area=Place.Area, is_active=bool
)
BalanceViewSet = versioned(
    reference.BALANCE, "code name", "code name calibration_due", "uncertainty_is_supposed"
)
