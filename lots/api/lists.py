"""Lists and single things of this app, read only: history has no edit and no delete."""

from __future__ import annotations

from typing import Any, Final

import django_filters as filters
from django.db.models import QuerySet
from django.http import FileResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.viewsets import ReadOnlyModelViewSet

from lots.api import fine_metal
from lots.api import serializers as shown
from lots.api.filters import LotFilter, MovementFilter
from lots.api.listed import CODE, NUMBER, Span, listed, narrowed
from lots.feed import webhooks_api
from lots.ledger.holdings import holdings
from lots.metals import Metal
from lots.models import (
    Assay,
    DeliveryLine,
    Document,
    Excess,
    Lot,
    ProcessBatch,
    Weighing,
)
from lots.people.permissions import AnyRole, WorksOffice, role_of
from lots.people.token_list import tokens_seen_by
from lots.queries.documents import documents_for
from lots.services.access_log import tell_lots_of
from lots.services.documents import TYPE_BY_ENDING

OF_LOT: Final = {"lot": "lot__code", "owner": "lot__owner__code"}


class LotViewSet(ReadOnlyModelViewSet[Lot]):
    """Lots with what they hold now."""

    queryset = Lot.objects.select_related("owner", "place", "received_from")
    serializer_class = shown.LotSerializer
    filterset_class = LotFilter
    lookup_field = "code"
    lookup_value_regex = CODE
    search_fields = ["code", "description"]
    ordering_fields = ["registered_at", "code", "form", "state"]
    ordering = ["-registered_at", "-id"]

    def list(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        page = self.paginate_queryset(self.filter_queryset(self.get_queryset()))
        assert page is not None
        if page:
            tell_lots_of(request.query_params, request.user, "json")
        context = {**self.get_serializer_context(), "holdings": holdings(page)}
        return self.get_paginated_response(
            shown.LotSerializer(page, many=True, context=context).data
        )


class DocumentViewSet(ReadOnlyModelViewSet[Document]):
    """Papers of persons, and proofs of identity, are for the office alone."""

    queryset = Document.objects.none()
    serializer_class = shown.DocumentSerializer
    filterset_class = narrowed(
        Document,
        **OF_LOT,
        party="party__code",
        kind=Document.Kind,
        retention_before=filters.DateFilter(field_name="retention_until", lookup_expr="lte"),
    )
    lookup_value_regex = NUMBER
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


def _on_note(bars: QuerySet[Any], name: str, value: str) -> QuerySet[Any]:
    lines = DeliveryLine.objects.filter(note__code=value)
    return bars.filter(pk__in=lines.values("bar_record"))


def _is_set(column: str) -> filters.BooleanFilter:
    return filters.BooleanFilter(field_name=column, lookup_expr="isnull", exclude=True)


LISTS: Final[dict[str, type[ReadOnlyModelViewSet[Any]]]] = {
    "lots": LotViewSet,
    "movements": listed(
        shown.MovementSerializer,
        MovementFilter,
        related="reversed_by",
        prefetched="entries__lot entries__account entries__owner claim_entries__owner "
        "material_entries__lot standings__lot standings__place standings__owner",
        search="note cause",
        orders="sequence occurred_at recorded_at",
        order="-sequence",
        about="Movements with all their lines, newest first.",
        lookup_field="sequence",
        lookup_url_kwarg=None,
    ),
    "weighings": listed(
        shown.WeighingSerializer,
        {
            **OF_LOT,
            "balance": "balance__code",
            "purpose": Weighing.Purpose,
            "calibration_overdue": bool,
            "taken": Span("taken_at"),
        },
        related="withdrawal",
        search="lot__code note",
        orders="taken_at net_ug",
        order="-taken_at -id",
    ),
    "volume-readings": listed(
        shown.VolumeReadingSerializer,
        {**OF_LOT, "taken": Span("taken_at")},
        search="lot__code note",
        orders="taken_at volume_ul",
        order="-taken_at -id",
    ),
    "assays": listed(
        shown.AssaySerializer,
        {
            **OF_LOT,
            "method": Assay.Method,
            "side": Assay.Side,
            "laboratory": "laboratory__code",
            "metal": filters.ChoiceFilter(
                field_name="results__metal", choices=Metal.choices, distinct=True
            ),
            "reported": Span("reported_at"),
        },
        related="withdrawal",
        prefetched="results lot__rulings__movement__reversed_by",
        search="lot__code certificate note",
        orders="reported_at taken_at",
        order="-reported_at -id",
    ),
    "process-batches": listed(
        shown.ProcessBatchSerializer,
        {"kind": ProcessBatch.Kind, "state": ProcessBatch.State, "started": Span("started_at")},
        search="code note vessel__code",
        orders="started_at closed_at code",
        order="-started_at -id",
        coded=True,
    ),
    "excesses": listed(
        shown.ExcessSerializer,
        {**OF_LOT, "state": Excess.State, "metal": Metal},
        search="lot__code explanation",
        orders="excess_ug state",
        order="-state -id",
        about="Outputs that measured above the book, open ones first, until each is explained.",
    ),
    "documents": DocumentViewSet,
    "bars": listed(
        shown.BarRecordSerializer,
        {
            "lot": "lot__code",
            "metal": Metal,
            "state": filters.MultipleChoiceFilter(
                field_name="lot__state", choices=Lot.State.choices, label="State of the lot"
            ),
            "struck": _is_set("struck_at"),
            "delivery_note": filters.CharFilter(method=_on_note),
            "listed": Span("listed_at"),
        },
        search="mark lot__code note",
        orders="listed_at mark gross_ozt fine_ozt",
        order="-listed_at -id",
    ),
    "impurity-analyses": listed(
        shown.ImpuritySerializer,
        {"lot": "lot__code", "laboratory": "laboratory__code", "reported": Span("reported_at")},
        search="lot__code certificate note",
        orders="reported_at",
        order="-reported_at -id",
    ),
    "delivery-notes": listed(
        shown.DeliveryNoteSerializer,
        fine_metal.DeliveryFilter,
        prefetched="lines__lot lines__movement",
        search="code carrier note party__name",
        orders="delivered_at code",
        order="-delivered_at -id",
        coded=True,
    ),
    "tokens": listed(
        shown.TokenSerializer,
        {"user": "user__username", "revoked": _is_set("revoked_at")},
        search="name user__username",
        orders="created_at expires_at last_used_at",
        order="-created_at -id",
        about="One's own tokens; the manager sees everyone's.",
        permission_classes=[AnyRole],
        get_queryset=lambda view: tokens_seen_by(view.request.user).select_related("user"),
    ),
    "confirmed-figures": listed(
        shown.ConfirmedFigureSerializer,
        {
            "movement": filters.NumberFilter(field_name="movement__sequence"),
            "open": filters.BooleanFilter(field_name="explanation", lookup_expr="isnull"),
            "confirmed": Span("confirmed_at"),
        },
        related="movement confirmed_by explanation",
        search="figure about why",
        orders="confirmed_at",
        order="-id",
        about="Unlikely figures that were confirmed; `open` those that nobody explained yet.",
    ),
    "works-settings": listed(
        shown.WorksSettingsSerializer,
        {},
        search="reason",
        orders="recorded_at",
        order="-id",
        about="What the works says of itself, latest first: the first row is in force.",
    ),
    "webhooks": listed(
        shown.SubscriptionSerializer,
        {},
        search="name url",
        orders="name created_at",
        order="-id",
        about="Who is told of events as they happen.",
        permission_classes=[WorksOffice],
    ),
    "webhook-deliveries": listed(
        shown.DeliverySerializer,
        webhooks_api.DeliveryFilter,
        search="subscription__name last_failure",
        orders="last_tried_at sequence",
        order="-id",
        about="Events that did not arrive at once: being retried, delivered late, or given up.",
        permission_classes=[WorksOffice],
    ),
}
