"""Customers' questions about lots through the API: recorded with the answer from the books."""

from __future__ import annotations

from typing import Any

import django_filters as filters
from django.shortcuts import get_object_or_404
from rest_framework import serializers
from rest_framework.viewsets import ReadOnlyModelViewSet

from lots.api.commands import ActSerializer, CommandView
from lots.api.fields import shown_code, shown_name
from lots.ledger.recording import Act
from lots.models import Lot
from lots.people.roles import OFFICE
from reports.models import SettlementQuestion
from reports.services.settlement_question import (
    TEXT_MAX,
    answer_question,
    ask_question,
    withdraw_question,
)


class SettlementQuestionSerializer(serializers.ModelSerializer[SettlementQuestion]):
    """A question, what the books said when it came, a reply drafted from that, and the reply."""

    lot = shown_code()
    settlement = shown_code()
    customer = shown_code()
    recorded_by = serializers.CharField(source="recorded_by.username", read_only=True)
    answered_by = shown_name("answered_by.username")

    class Meta:
        model = SettlementQuestion
        fields = [
            "id",
            "lot",
            "settlement",
            "customer",
            "question",
            "state",
            "asked_at",
            "recorded_by",
            "answer",
            "draft",
            "reply",
            "answered_by",
            "answered_at",
            "version",
        ]
        read_only_fields = fields


class SettlementQuestionFilter(filters.FilterSet):
    lot = filters.CharFilter(field_name="lot__code")
    settlement = filters.CharFilter(field_name="settlement__code")
    customer = filters.CharFilter(field_name="customer__code")
    state = filters.MultipleChoiceFilter(choices=SettlementQuestion.State.choices)
    asked_after = filters.IsoDateTimeFilter(field_name="asked_at", lookup_expr="gte")
    asked_before = filters.IsoDateTimeFilter(field_name="asked_at", lookup_expr="lt")

    class Meta:
        model = SettlementQuestion
        fields: list[str] = []


class SettlementQuestionViewSet(ReadOnlyModelViewSet[SettlementQuestion]):
    queryset = SettlementQuestion.objects.select_related(
        "lot", "settlement", "customer", "recorded_by", "answered_by"
    )
    serializer_class = SettlementQuestionSerializer
    filterset_class = SettlementQuestionFilter
    lookup_value_regex = "[0-9]{1,18}"
    search_fields = ["question", "reply", "lot__code"]
    ordering_fields = ["asked_at", "answered_at", "state"]
    ordering = ["-asked_at", "-id"]


class AskInput(ActSerializer):
    question = serializers.CharField(max_length=TEXT_MAX)


class AskQuestion(CommandView):
    """Record a customer's question about a lot, with the answer put together from the books."""

    input = AskInput
    output = SettlementQuestionSerializer
    writers = OFFICE

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> SettlementQuestion:
        lot = get_object_or_404(Lot, code=path["code"])
        return ask_question(lot=lot, question=data["question"], act=act)


class ReplyInput(ActSerializer):
    reply = serializers.CharField(max_length=TEXT_MAX)


class AnswerQuestion(CommandView):
    """Keep the reply as it was sent."""

    input = ReplyInput
    output = SettlementQuestionSerializer
    writers = OFFICE

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> SettlementQuestion:
        question = get_object_or_404(SettlementQuestion, pk=path["pk"])
        return answer_question(question=question, reply=data["reply"], act=act)


class WithdrawQuestion(CommandView):
    """The customer asks no more; the record stays."""

    input = ActSerializer
    output = SettlementQuestionSerializer
    writers = OFFICE

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> SettlementQuestion:
        question = get_object_or_404(SettlementQuestion, pk=path["pk"])
        return withdraw_question(question=question, act=act)
