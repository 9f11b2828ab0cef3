"""A settlement's statement through the API, and what it would be under other figures."""

from __future__ import annotations

from typing import Any, ClassVar

from django.shortcuts import get_object_or_404
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from lots.api.commands import Strict
from lots.api.fields import ExactField
from lots.api.records import schema_of, show
from lots.models import ApiToken
from lots.people.permissions import StaffOrCustomer, customer_looking
from reports.api.answers import ReportView, note_read
from reports.exports.settlement_pdf import settlement_pdf
from reports.exports.settlement_workbook import write_settlement_workbook
from reports.models import AccessRecord, Settlement
from reports.queries.lot.settlement_statement import SettlementDocument, settlement_statement
from reports.queries.lot.what_if import Supposed, WhatIf, what_if


class SettlementStatement(ReportView):
    """A settlement as a document: every line with its formula, its rounding and what it rests on.

    Customers are shown their own, once approved.
    """

    asks: ClassVar[dict[str, Any]] = {}
    shows = SettlementDocument
    forms = ("json", "xlsx", "pdf")
    written_as = {
        "xlsx": write_settlement_workbook,
        "pdf": lambda document, file: file.write(settlement_pdf(document)),
    }
    permission_classes = [StaffOrCustomer]

    def answer(self, asked: dict[str, Any], **path: Any) -> SettlementDocument:
        customer = customer_looking(self.request)
        settlements = Settlement.objects.all()
        if customer is not None:
            signed = [Settlement.State.APPROVED, Settlement.State.SUPERSEDED]
            settlements = settlements.filter(customer=customer, state__in=signed)
        settlement = get_object_or_404(settlements.select_related("customer"), code=path["code"])
        note_read(
            self.request,
            settlement.customer,
            AccessRecord.What.SETTLEMENT,
            settlement.code,
            asked["as"],
        )
        return settlement_statement(settlement)


class WhatIfInput(Strict):
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


class SupposeSettlement(APIView):
    """Compute a settlement again with another result, price, weight or term; nothing is kept."""

    scope = ApiToken.Scope.REPORT

    @extend_schema(
        request=WhatIfInput,
        responses={
            200: schema_of(WhatIf),
        },
        summary="Compute a settlement under other figures; nothing is kept.",
    )
    def post(self, request: Request, code: str) -> Response:
        body = WhatIfInput(data=request.data)
        body.is_valid(raise_exception=True)
        settlement = get_object_or_404(Settlement, code=code)
        return Response(show(what_if(settlement, Supposed(**body.validated_data))))
