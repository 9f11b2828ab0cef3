"""Lists and single things of this app, read only: history has no edit and no delete."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet
from django.http import FileResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.viewsets import ReadOnlyModelViewSet

from lots.api import filters
from lots.api.serializers import (
    AssaySerializer,
    DocumentSerializer,
    ExcessSerializer,
    LotSerializer,
    MovementSerializer,
    ProcessBatchSerializer,
    VolumeReadingSerializer,
    WeighingSerializer,
)
from lots.ledger.holdings import holdings
from lots.models import (
    Assay,
    Document,
    Excess,
    Lot,
    Movement,
    ProcessBatch,
    VolumeReading,
    Weighing,
)
from lots.people.permissions import role_of
from lots.queries.documents import documents_for
from lots.services.access_log import tell_lots_of
from lots.services.documents import TYPE_BY_ENDING


class LotViewSet(ReadOnlyModelViewSet[Lot]):
    """Lots with what they hold now."""

    queryset = Lot.objects.select_related("owner", "place", "received_from")
    serializer_class = LotSerializer
    filterset_class = filters.LotFilter
    lookup_field = "code"
    lookup_value_regex = "[A-Za-z0-9-]{1,20}"
    search_fields = ["code", "description"]
    ordering_fields = ["registered_at", "code", "form", "state"]
    ordering = ["-registered_at", "-id"]

    def list(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        page = self.paginate_queryset(self.filter_queryset(self.get_queryset()))
        assert page is not None
        if page:
            tell_lots_of(request.query_params, request.user, "json")
        context = {**self.get_serializer_context(), "holdings": holdings(page)}
        return self.get_paginated_response(LotSerializer(page, many=True, context=context).data)


class MovementViewSet(ReadOnlyModelViewSet[Movement]):
    """Movements with all their lines, newest first."""

    queryset = Movement.objects.select_related(
        "recorded_by", "counterparty", "reverses", "refers_to", "reversed_by"
    ).prefetch_related(
        "entries__lot",
        "entries__account",
        "entries__owner",
        "claim_entries__owner",
        "material_entries__lot",
        "standings__lot",
        "standings__place",
        "standings__owner",
    )
    serializer_class = MovementSerializer
    filterset_class = filters.MovementFilter
    lookup_field = "sequence"
    lookup_value_regex = "[0-9]{1,18}"
    search_fields = ["note", "cause"]
    ordering_fields = ["sequence", "occurred_at", "recorded_at"]
    ordering = ["-sequence"]


class WeighingViewSet(ReadOnlyModelViewSet[Weighing]):
    queryset = Weighing.objects.select_related("lot", "balance", "taken_by", "withdrawal")
    serializer_class = WeighingSerializer
    filterset_class = filters.WeighingFilter
    lookup_value_regex = "[0-9]{1,18}"
    search_fields = ["lot__code", "note"]
    ordering_fields = ["taken_at", "net_ug"]
    ordering = ["-taken_at", "-id"]


class VolumeReadingViewSet(ReadOnlyModelViewSet[VolumeReading]):
    queryset = VolumeReading.objects.select_related("lot")
    serializer_class = VolumeReadingSerializer
    filterset_class = filters.VolumeReadingFilter
    lookup_value_regex = "[0-9]{1,18}"
    search_fields = ["lot__code", "note"]
    ordering_fields = ["taken_at", "volume_ul"]
    ordering = ["-taken_at", "-id"]


class AssayViewSet(ReadOnlyModelViewSet[Assay]):
    queryset = Assay.objects.select_related(
        "lot", "sample", "laboratory", "withdrawal"
    ).prefetch_related("results", "lot__rulings__movement__reversed_by")
    serializer_class = AssaySerializer
    filterset_class = filters.AssayFilter
    lookup_value_regex = "[0-9]{1,18}"
    search_fields = ["lot__code", "certificate", "note"]
    ordering_fields = ["reported_at", "taken_at"]
    ordering = ["-reported_at", "-id"]


class ProcessBatchViewSet(ReadOnlyModelViewSet[ProcessBatch]):
    queryset = ProcessBatch.objects.select_related("vessel__owner", "closing_movement")
    serializer_class = ProcessBatchSerializer
    filterset_class = filters.ProcessBatchFilter
    lookup_field = "code"
    lookup_value_regex = "[A-Za-z0-9-]{1,20}"
    search_fields = ["code", "note", "vessel__code"]
    ordering_fields = ["started_at", "closed_at", "code"]
    ordering = ["-started_at", "-id"]


class ExcessViewSet(ReadOnlyModelViewSet[Excess]):
    """Outputs that measured above the book, open ones first, until each is explained."""

    queryset = Excess.objects.select_related("movement", "lot", "account")
    serializer_class = ExcessSerializer
    filterset_class = filters.ExcessFilter
    lookup_value_regex = "[0-9]{1,18}"
    search_fields = ["lot__code", "explanation"]
    ordering_fields = ["excess_ug", "state"]
    ordering = ["-state", "-id"]


class DocumentViewSet(ReadOnlyModelViewSet[Document]):
    """Papers of persons, and proofs of identity, are for the office alone."""

    queryset = Document.objects.none()
    serializer_class = DocumentSerializer
    filterset_class = filters.DocumentFilter
    lookup_value_regex = "[0-9]{1,18}"
    search_fields = ["name", "lot__code", "party__code"]
    ordering_fields = ["added_at", "name", "retention_until"]
    ordering = ["-id"]

    def get_queryset(self) -> QuerySet[Document]:
        return documents_for(role_of(self.request))

    @extend_schema(
        responses={
            (200, kind): OpenApiTypes.BINARY for kind in sorted(set(TYPE_BY_ENDING.values()))
        }
    )
    @action(detail=True, url_path="file")
    def download(self, request: Request, pk: str) -> FileResponse:
        """The file as uploaded, offered for saving so that no browser runs it."""
        document: Document = self.get_object()
        return FileResponse(
            document.file.open("rb"),
            as_attachment=True,
            filename=document.name,
            content_type=document.content_type,
        )
