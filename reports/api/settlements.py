"""Settlements through the API: prepared, approved by another, superseded; the statement itself."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import django_filters as filters
from django.shortcuts import get_object_or_404
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView
from rest_framework.viewsets import ReadOnlyModelViewSet

from lots.api.commands import ActSerializer, CommandView
from lots.api.fields import ExactField, ShownMetals, full_name, shown_code, shown_name
from lots.api.questions import QuestionView
from lots.api.records import schema_of, show
from lots.fineness import parse_fineness
from lots.ledger.recording import Act
from lots.models import ApiToken, Lot, Party
from lots.people.permissions import StaffOrCustomer, customer_looking
from lots.people.roles import OFFICE
from reports.api.answers import PDF, XLSX, ReportQuestion, sent, temporary
from reports.api.shared_links import note_read
from reports.exports.settlement_pdf import settlement_pdf
from reports.exports.settlement_workbook import write_settlement_workbook
from reports.models import AccessRecord, Settlement
from reports.queries.lot.settlement_statement import SettlementDocument, settlement_statement
from reports.queries.lot.what_if import Supposed, WhatIf, what_if
from reports.services.settlement import (
    approve_settlement,
    prepare_settlement,
    withdraw_settlement,
)


class SettlementSerializer(serializers.ModelSerializer[Settlement]):
    """A settlement's head: what is payable, what is due (positive to the customer), who signed."""

    lot = shown_code()
    customer = shown_code()
    terms_version = serializers.CharField(source="contract_terms", read_only=True)
    payable = ShownMetals(source="payable_ug")
    supersedes = shown_code()
    movement = shown_code("sequence")
    prepared_by = serializers.CharField(source="prepared_by.username", read_only=True)
    approved_by = shown_name("approved_by.username")

    class Meta:
        model = Settlement
        fields = [
            "code",
            "lot",
            "customer",
            "kind",
            "state",
            "terms_version",
            "payable",
            "total",
            "currency",
            "supersedes",
            "movement",
            "prepared_by",
            "prepared_at",
            "approved_by",
            "approved_at",
            "note",
            "version",
        ]
        read_only_fields = fields


class SettlementFilter(filters.FilterSet):
    lot = filters.CharFilter(field_name="lot__code")
    customer = filters.CharFilter(field_name="customer__code")
    kind = filters.MultipleChoiceFilter(choices=Settlement.Kind.choices)
    state = filters.MultipleChoiceFilter(choices=Settlement.State.choices)
    prepared_after = filters.IsoDateTimeFilter(field_name="prepared_at", lookup_expr="gte")
    prepared_before = filters.IsoDateTimeFilter(field_name="prepared_at", lookup_expr="lt")

    class Meta:
        model = Settlement
        fields: list[str] = []


class SettlementViewSet(ReadOnlyModelViewSet[Settlement]):
    queryset = Settlement.objects.select_related(
        "lot",
        "customer",
        "contract_terms__customer",
        "supersedes",
        "movement",
        "prepared_by",
        "approved_by",
    )
    serializer_class = SettlementSerializer
    filterset_class = SettlementFilter
    lookup_field = "code"
    lookup_value_regex = "[A-Za-z0-9-]{1,20}"
    search_fields = ["code", "lot__code", "customer__name", "note"]
    ordering_fields = ["prepared_at", "approved_at", "code", "total"]
    ordering = ["-prepared_at", "-id"]


def settlement_of(code: str) -> Settlement:
    """The settlement of this code, or 404."""
    return get_object_or_404(Settlement, code=code)


class PartsField(ExactField):
    """Parts per thousand, from nought to all of it."""

    def to_internal_value(self, data: Any) -> Decimal:
        return parse_fineness(data, field=full_name(self))


class PrepareSettlementInput(ActSerializer):
    kind = serializers.ChoiceField(choices=Settlement.Kind.choices)
    impurities_ppt = serializers.DictField(
        child=PartsField(),
        required=False,
        help_text="Parts per thousand by element, for penalties.",
    )
    moisture_ppt = PartsField(
        required=False,
        help_text="Parts per thousand of the weight received, where the terms settle on it dry.",
    )
    tax = ExactField(
        required=False,
        help_text="An amount the user worked out; positive is due to the customer.",
    )


class PrepareSettlement(CommandView):
    """Reckon a draft of a lot's settlement from what is on record; nothing is posted by it.

    Once approved it supersedes the settlement in force, and shows the difference.
    """

    input = PrepareSettlementInput
    output = SettlementSerializer
    writers = OFFICE

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Settlement:
        return prepare_settlement(
            lot=get_object_or_404(Lot, code=path["code"]),
            kind=data["kind"],
            impurities_ppt=data.get("impurities_ppt"),
            tax=data.get("tax"),
            moisture_ppt=data.get("moisture_ppt"),
            act=act,
        )


class ApproveSettlement(CommandView):
    """Put a draft that another person prepared in force; a final one settles the claim."""

    input = ActSerializer
    output = SettlementSerializer
    writers = OFFICE

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Settlement:
        return approve_settlement(settlement=settlement_of(path["code"]), act=act)


class WithdrawSettlement(CommandView):
    """Drop a draft; its record stays, and the note says why."""

    input = ActSerializer
    output = SettlementSerializer
    writers = OFFICE

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Settlement:
        return withdraw_settlement(settlement=settlement_of(path["code"]), act=act)


class StatementQuestion(ReportQuestion):
    forms = ("json", "xlsx", "pdf")


class SettlementStatement(QuestionView):
    """A settlement as a document: every line with its formula, its rounding and what it rests on.

    Customers are shown their own, once approved.
    """

    asks = StatementQuestion
    shows = SettlementDocument
    other_answers = {(200, XLSX): OpenApiTypes.BINARY, (200, PDF): OpenApiTypes.BINARY}
    permission_classes = [StaffOrCustomer]

    def answer(self, asked: dict[str, Any], **path: Any) -> SettlementDocument:
        customer = customer_looking(self.request)
        settlements = Settlement.objects.all()
        if customer is not None:
            signed = [Settlement.State.APPROVED, Settlement.State.SUPERSEDED]
            settlements = settlements.filter(customer=customer, state__in=signed)
        return settlement_statement(get_object_or_404(settlements, code=path["code"]))

    def respond(self, asked: dict[str, Any], **path: Any) -> Any:
        document = self.answer(asked, **path)
        reader = Party.objects.get(code=document.customer)
        note_read(self.request, reader, AccessRecord.What.SETTLEMENT, document.code, asked["as"])
        if asked["as"] == "json":
            return Response(show(document))
        file = temporary()
        if asked["as"] == "xlsx":
            write_settlement_workbook(document, file)
            return sent(file, f"{document.code}.xlsx", XLSX)
        file.write(settlement_pdf(document))
        return sent(file, f"{document.code}.pdf", PDF)


class WhatIfInput(serializers.Serializer[Any]):
    """What to suppose instead of what was frozen; anything left out stays."""

    results = serializers.DictField(
        child=serializers.DictField(),
        required=False,
        help_text="By metal and side (house, counterparty, umpire), parts per thousand.",
    )
    prices = serializers.DictField(required=False, help_text="By metal, money per troy ounce.")
    weight_g = ExactField(required=False)
    terms = serializers.DictField(required=False, help_text="Fields that replace the frozen ones.")
    is_provisional = serializers.BooleanField(required=False)

    def to_internal_value(self, data: Any) -> Any:
        if isinstance(data, dict):
            unknown = sorted(set(data) - set(self.fields))
            if unknown:
                raise serializers.ValidationError(
                    {str(unknown[0])[:80]: "This field is not known here."}, code="unknown_field"
                )
        return super().to_internal_value(data)


class SupposeSettlement(APIView):
    """Reckon a settlement again with another result, price, weight or term; nothing is kept."""

    scope = ApiToken.Scope.REPORT

    @extend_schema(
        request=WhatIfInput,
        responses={
            200: schema_of(WhatIf),
        },
        summary="Reckon a settlement under other figures; nothing is kept.",
    )
    def post(self, request: Request, code: str) -> Response:
        body = WhatIfInput(data=request.data)
        body.is_valid(raise_exception=True)
        return Response(show(what_if(settlement_of(code), Supposed(**body.validated_data))))
