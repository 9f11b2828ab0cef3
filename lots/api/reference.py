"""Parties, places and balances: reference data that may be edited, one version after another."""

from __future__ import annotations

from typing import Any

from django.db import transaction
from rest_framework import mixins, serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.viewsets import GenericViewSet, ReadOnlyModelViewSet

from config.refusals import ConflictError, InvalidError
from lots.api import filters
from lots.models import Balance, Party, Person, Place


class PartySerializer(serializers.ModelSerializer[Party]):
    class Meta:
        model = Party
        fields = ["code", "name", "kind", "contact", "is_active", "version"]
        read_only_fields = ["version"]


class PlaceSerializer(serializers.ModelSerializer[Place]):
    class Meta:
        model = Place
        fields = ["code", "name", "area", "is_active", "version"]
        read_only_fields = ["version"]


class BalanceSerializer(serializers.ModelSerializer[Balance]):
    class Meta:
        model = Balance
        fields = [
            "code",
            "name",
            "capacity_ug",
            "readability_ug",
            "standard_uncertainty_ug",
            "calibration_due",
            "is_active",
            "version",
        ]
        read_only_fields = ["version"]


class VersionedEdits(
    mixins.CreateModelMixin, mixins.UpdateModelMixin, ReadOnlyModelViewSet[Any], GenericViewSet[Any]
):
    """Create, and edit under a version check: send the version you saw as `If-Match`."""

    lookup_field = "code"
    lookup_value_regex = "[-a-zA-Z0-9_]{1,24}"
    http_method_names = ["get", "post", "patch", "head", "options"]
    writers = frozenset({Person.Role.ACCOUNTANT, Person.Role.MANAGER})

    def retrieve(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        instance = self.get_object()
        answer = Response(self.get_serializer(instance).data)
        answer["ETag"] = f'"{instance.version}"'
        return answer

    def partial_update(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        with transaction.atomic():
            instance = self.get_queryset().select_for_update().filter(code=kwargs["code"]).first()
            instance = instance or self.get_object()
            check_version(request, instance.version)
            body = self.get_serializer(instance, data=request.data, partial=True)
            body.is_valid(raise_exception=True)
            body.save(version=instance.version + 1)
        answer = Response(body.data)
        answer["ETag"] = f'"{instance.version}"'
        return answer


def check_version(request: Request, version: int) -> None:
    """Refuses an edit of something that has changed since it was read.

    Raises InvalidError `version_needed`, ConflictError `version_conflict`.
    """
    given = request.headers.get("If-Match", "").strip().strip('"')
    if not given:
        raise InvalidError(
            "An edit must say which version it saw.",
            code="version_needed",
            field="If-Match",
            remedy="Read the thing first and send its version as If-Match.",
        )
    if given != str(version):
        raise ConflictError(
            "This was changed by someone else meanwhile.",
            code="version_conflict",
            field="If-Match",
            value=given,
            remedy="Read it again and repeat the edit on the newer version.",
        )


class PartyViewSet(VersionedEdits):
    queryset = Party.objects.all()
    serializer_class = PartySerializer
    filterset_class = filters.PartyFilter
    search_fields = ["code", "name", "contact"]
    ordering_fields = ["code", "name", "kind"]
    ordering = ["name", "id"]


class PlaceViewSet(VersionedEdits):
    queryset = Place.objects.all()
    serializer_class = PlaceSerializer
    filterset_class = filters.PlaceFilter
    search_fields = ["code", "name"]
    ordering_fields = ["code", "name", "area"]
    ordering = ["name", "id"]


class BalanceViewSet(VersionedEdits):
    queryset = Balance.objects.all()
    serializer_class = BalanceSerializer
    search_fields = ["code", "name"]
    ordering_fields = ["code", "name", "calibration_due"]
    ordering = ["name", "id"]
