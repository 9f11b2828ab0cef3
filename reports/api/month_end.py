"""The month's end through the API: begin, prepare, approve, close, and open again."""

from __future__ import annotations

from typing import Any

import django_filters as filters
from django.shortcuts import get_object_or_404
from rest_framework import serializers
from rest_framework.viewsets import ReadOnlyModelViewSet

from lots.api.commands import ActSerializer, CommandView
from lots.api.fields import shown_name
from lots.ledger.recording import Act
from lots.people.roles import OFFICE
from reports.models import MonthEnd, MonthReopening
from reports.queries.month.periods import parse_first_day
from reports.services.approvals import approve_month
from reports.services.month_end import (
    REASON_LENGTH_MAX,
    begin_month_end,
    close_month,
    prepare_month,
    reopen_month,
    send_back_month,
)


class ReopeningSerializer(serializers.ModelSerializer[MonthReopening]):
    reopened_by = serializers.CharField(source="reopened_by.username", read_only=True)
    closed_by = serializers.CharField(source="closed_by.username", read_only=True)
    approved_by = serializers.CharField(source="approved_by.username", read_only=True)

    class Meta:
        model = MonthReopening
        fields = [
            "reason",
            "reopened_by",
            "reopened_at",
            "closed_by",
            "closed_at",
            "approved_by",
            "statement_digest",
        ]
        read_only_fields = fields


class MonthEndSerializer(serializers.ModelSerializer[MonthEnd]):
    """Who took each step of a month's end, and the digest that was signed."""

    month = serializers.CharField(source="books_month", read_only=True)
    prepared_by = shown_name("prepared_by.username")
    approved_by = shown_name("approved_by.username")
    closed_by = shown_name("closed_by.username")
    reopenings = ReopeningSerializer(many=True, read_only=True)

    class Meta:
        model = MonthEnd
        fields = [
            "month",
            "state",
            "prepared_by",
            "prepared_at",
            "approved_by",
            "approved_at",
            "closed_by",
            "closed_at",
            "waiver",
            "statement_digest",
            "reopenings",
            "version",
        ]
        read_only_fields = fields


class MonthEndFilter(filters.FilterSet):
    state = filters.MultipleChoiceFilter(choices=MonthEnd.State.choices)
    from_day = filters.DateFilter(field_name="books_month__first_day", lookup_expr="gte")
    before_day = filters.DateFilter(field_name="books_month__first_day", lookup_expr="lt")

    class Meta:
        model = MonthEnd
        fields: list[str] = []


class MonthEndViewSet(ReadOnlyModelViewSet[MonthEnd]):
    queryset = MonthEnd.objects.select_related(
        "books_month", "prepared_by", "approved_by", "closed_by"
    ).prefetch_related(
        "reopenings__reopened_by", "reopenings__closed_by", "reopenings__approved_by"
    )
    serializer_class = MonthEndSerializer
    filterset_class = MonthEndFilter
    lookup_url_kwarg = "month"
    lookup_field = "books_month__first_day"
    lookup_value_regex = "[0-9-]{1,10}"
    search_fields = ["waiver", "reopenings__reason"]
    ordering_fields = ["books_month__first_day", "state"]
    ordering = ["-books_month__first_day"]

    def get_object(self) -> MonthEnd:
        return month_end_of(self.kwargs["month"])


def month_end_of(month: str) -> MonthEnd:
    """The month's end of a month such as "2026-05", or 404 while it is not begun."""
    first_day = parse_first_day(month)
    return get_object_or_404(
        MonthEnd.objects.select_related("books_month"), books_month__first_day=first_day
    )


class MonthStep(CommandView):
    """A step of a month's end, for the office."""

    writers = OFFICE
    output = MonthEndSerializer


class BeginMonth(MonthStep):
    """Begin a month's end; counting may begin before the month is over."""

    input = ActSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> MonthEnd:
        return begin_month_end(first_day=parse_first_day(path["month"]), act=act)


class PrepareMonthInput(ActSerializer):
    waiver = serializers.CharField(
        max_length=REASON_LENGTH_MAX,
        required=False,
        default="",
        allow_blank=True,
        help_text="Why sheets stay uncounted, if some do.",
    )


class PrepareMonth(MonthStep):
    """Say that a month's statement is ready for a second person."""

    input = PrepareMonthInput

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> MonthEnd:
        return prepare_month(month_end=month_end_of(path["month"]), waiver=data["waiver"], act=act)


class SendBackMonth(MonthStep):
    """Take a prepared or approved month back to counting; the note says why."""

    input = ActSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> MonthEnd:
        return send_back_month(month_end=month_end_of(path["month"]), act=act)


class ApproveMonth(MonthStep):
    """Approve a month that another person prepared, signing the digest of its statement."""

    input = ActSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> MonthEnd:
        return approve_month(month_end=month_end_of(path["month"]), act=act)


class CloseMonth(MonthStep):
    """Lock an approved month: nothing can be posted in it, or before it, from then on."""

    input = ActSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> MonthEnd:
        return close_month(month_end=month_end_of(path["month"]), act=act)


class ReopenInput(ActSerializer):
    reason = serializers.CharField(max_length=REASON_LENGTH_MAX)


class ReopenMonth(MonthStep):
    """Open the last closed month again; that, why and what was signed stay on record."""

    input = ReopenInput

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> MonthEnd:
        return reopen_month(month_end=month_end_of(path["month"]), reason=data["reason"], act=act)
