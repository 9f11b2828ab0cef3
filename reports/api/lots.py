"""Lots' balance sheets, and the answer to "where is my lot", through the API."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import Any, Final

from django.db.models import Model, QuerySet
from django.shortcuts import get_object_or_404
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.generics import GenericAPIView
from rest_framework.request import Request

from config.pages import SAVED_TYPES
from lots.api.fields import ShownMass, show_volume
from lots.api.filters import LotFilter
from lots.api.questions import AT_A_MOMENT, Question, moment_of, question_of
from lots.api.records import Shown
from lots.ledger.holdings import AsOf, Holding
from lots.models import Lot, Party, Place
from lots.people.permissions import StaffOrCustomer, customer_looking
from lots.services.access_log import tell_lots_of
from reports.api.answers import WHICH_TABLE, ReportView, form_asked, note_read
from reports.exports.files import tables_file
from reports.exports.lot_answer import lot_answer_tables
from reports.exports.lot_balances import lot_balances_table, lot_sheet_tables
from reports.models import AccessRecord
from reports.queries.lot.lot_answer import lot_answer
from reports.queries.lot.lot_answer_lines import LotAnswer
from reports.queries.lot.lot_claim import customer_of
from reports.queries.lot.lot_sheet import (
    KindSum,
    LotBalance,
    LotSheet,
    MetalBalance,
    SheetLine,
    lot_balances,
    lot_list,
    lot_sheet,
)

CHUNK: Final = 500
LotQuestion: Final = question_of(
    {**AT_A_MOMENT, "as": form_asked(ReportView.forms), "table": WHICH_TABLE}
)


def asked_among(request: Request, question: type[Question]) -> dict[str, Any]:
    """Of a list's parameters, those of `question`, checked; the others are its filters'."""
    names: list[str] = list(question().fields)
    given = {name: request.query_params[name] for name in names if name in request.query_params}
    asked = question(data=given)
    asked.is_valid(raise_exception=True)
    return dict(asked.validated_data)


class MetalBalanceSerializer(serializers.Serializer[MetalBalance]):
    metal = serializers.CharField()
    into = ShownMass(source="in_ug")
    out = ShownMass(source="out_ug")
    now = ShownMass(source="now_ug")


class LotBalanceSerializer(serializers.Serializer[LotBalance]):
    """A lot's balances: per metal what came in, what went out, what is there."""

    lot = serializers.CharField(source="lot.code")
    form = serializers.CharField(source="lot.form")
    description = serializers.CharField(source="lot.description")
    owner = serializers.CharField(source="lot.owner.code")
    place = serializers.CharField(source="lot.place.code")
    state = serializers.CharField(source="lot.state")
    mass = ShownMass(source="mass_ug")
    volume = serializers.SerializerMethodField()
    metals = MetalBalanceSerializer(many=True)

    @extend_schema_field({"type": "object", "properties": {"ul": {"type": "integer"}}})
    def get_volume(self, balance: LotBalance) -> dict[str, Any]:
        return show_volume(balance.volume_ul)


class LotSheets(GenericAPIView[Lot]):
    """The balances of all lots, a page at a time; as CSV or workbook, all that pass the filters.

    Owner, place and state are those of today.
    """

    filterset_class = LotFilter
    serializer_class = LotBalanceSerializer  # type: ignore[assignment]
    search_fields = ["code", "description"]
    ordering_fields = ["registered_at", "code", "form", "state"]
    ordering = ["-registered_at", "-id"]
    extra_parameters = tuple(LotQuestion().fields)

    def get_queryset(self) -> QuerySet[Lot]:
        return lot_list()

    @extend_schema(
        parameters=[LotQuestion],
        responses={
            200: LotBalanceSerializer(many=True),
            **{
                (200, SAVED_TYPES[form].partition(";")[0]): OpenApiTypes.BINARY
                for form in ("csv", "xlsx")
            },
        },
        summary="The balances of all lots.",
    )
    def get(self, request: Request) -> Any:
        asked = asked_among(request, LotQuestion)
        lots = self.filter_queryset(self.get_queryset())
        as_of = moment_of(asked)
        if asked["as"] == "json":
            page = self.paginate_queryset(lots)
            assert page is not None
            if page:
                tell_lots_of(request.query_params, request.user, asked["as"])
            balances = lot_balances(page, as_of)
            shown = LotBalanceSerializer(balances, many=True)  # type: ignore[arg-type]
            return self.get_paginated_response(shown.data)
        tell_lots_of(request.query_params, request.user, asked["as"])
        table = lot_balances_table(_all_balances(lots, as_of), as_of)
        return tables_file([table], f"lots.{asked['as']}")


def _all_balances(lots: QuerySet[Lot], as_of: AsOf) -> Iterator[LotBalance]:
    every = iter(lots.iterator(chunk_size=CHUNK))
    while chunk := list(itertools.islice(every, CHUNK)):
        yield from lot_balances(chunk, as_of)


def _coded(model: type[Model], at: str) -> Any:
    """The code of the row whose number stands there, if any."""

    def found(sheet: LotSheet) -> str | None:
        rows = model._default_manager.filter(pk=getattr(sheet, at) or 0)
        return rows.values_list("code", flat=True).first()

    return str | None, found


class OneLot(ReportView):
    """One lot's balance sheet: in, out, now, and every line of it in the order it happened."""

    shows = Shown(
        "The sheet of one lot; owner and place are those of the moment asked of.",
        {
            "lot": (str, "lot.code"),
            "as_of": AsOf,
            "owner": _coded(Party, "owner_id"),
            "place": _coded(Place, "place_id"),
            "holding": Holding,
            "metals": tuple[MetalBalance, ...],
            "kinds": tuple[KindSum, ...],
            "lines": tuple[SheetLine, ...],
        },
    )
    file_name = "lot"
    tables_of = lot_sheet_tables

    def answer(self, asked: dict[str, Any], **path: Any) -> LotSheet:
        return lot_sheet(get_object_or_404(Lot, code=path["code"]), moment_of(asked))


class AnswerLot(ReportView):
    """What became of a lot: received, assayed, where its metal is now, what is payable for it.

    Customers are answered about the lots they sent in, without what is another's.
    """

    shows = LotAnswer
    file_name = "lot-answer"
    tables_of = lot_answer_tables
    permission_classes = [StaffOrCustomer]

    def answer(self, asked: dict[str, Any], **path: Any) -> LotAnswer:
        customer = customer_looking(self.request)
        lots = Lot.objects.all()
        if customer is not None:
            lots = lots.filter(received_from=customer)
        lot = get_object_or_404(lots.select_related("owner", "received_from"), code=path["code"])
        what = AccessRecord.What.LOT_ANSWER
        note_read(self.request, customer_of(lot), what, lot.code, asked["as"])
        return lot_answer(lot, moment_of(asked), seen_by=customer)
