"""Payments through the API: recorded once, taken back by a reversal, never edited."""

from __future__ import annotations

from typing import Any

import django_filters as filters
from django.shortcuts import get_object_or_404
from rest_framework import serializers
from rest_framework.viewsets import ReadOnlyModelViewSet

from lots.api.commands import ActSerializer, CommandView
from lots.api.fields import ExactField, by_code, shown_code, shown_name
from lots.ledger.recording import Act
from lots.models import Party
from lots.people.roles import OFFICE
from reports.models import Payment, Settlement
from reports.services.payment import REFERENCE_MAX, record_payment, reverse_payment


class PaymentSerializer(serializers.ModelSerializer[Payment]):
    """Money paid to a customer or received from one; `reversed_by` takes it back."""

    customer = shown_code()
    settlement = shown_code()
    reverses = shown_code()
    reversed_by = shown_name("reversed_by.code")
    recorded_by = serializers.CharField(source="recorded_by.username", read_only=True)

    class Meta:
        model = Payment
        fields = [
            "code",
            "customer",
            "settlement",
            "direction",
            "amount",
            "currency",
            "reference",
            "paid_at",
            "reverses",
            "reversed_by",
            "recorded_by",
            "recorded_at",
            "note",
        ]
        read_only_fields = fields


class PaymentFilter(filters.FilterSet):
    customer = filters.CharFilter(field_name="customer__code")
    settlement = filters.CharFilter(field_name="settlement__code")
    direction = filters.MultipleChoiceFilter(choices=Payment.Direction.choices)
    currency = filters.CharFilter()
    reversed = filters.BooleanFilter(field_name="reversed_by", lookup_expr="isnull", exclude=True)
    paid_after = filters.IsoDateTimeFilter(field_name="paid_at", lookup_expr="gte")
    paid_before = filters.IsoDateTimeFilter(field_name="paid_at", lookup_expr="lt")

    class Meta:
        model = Payment
        fields: list[str] = []


class PaymentViewSet(ReadOnlyModelViewSet[Payment]):
    queryset = Payment.objects.select_related(
        "customer", "settlement", "reverses", "reversed_by", "recorded_by"
    )
    serializer_class = PaymentSerializer
    filterset_class = PaymentFilter
    lookup_field = "code"
    lookup_value_regex = "[A-Za-z0-9-]{1,20}"
    search_fields = ["code", "reference", "customer__name", "settlement__code", "note"]
    ordering_fields = ["paid_at", "code", "amount"]
    ordering = ["-paid_at", "-id"]


class PaymentInput(ActSerializer):
    """`occurred_at` is when the money was paid."""

    customer = by_code(Party)
    settlement = by_code(Settlement, required=False, allow_null=True, default=None)
    direction = serializers.ChoiceField(choices=Payment.Direction.choices)
    amount = ExactField(help_text="Above zero; the direction says who paid.")
    currency = serializers.CharField(max_length=40, help_text="ISO 4217, such as EUR.")
    reference = serializers.CharField(
        max_length=REFERENCE_MAX, required=False, default="", allow_blank=True
    )


class RecordPayment(CommandView):
    """Keep that money was paid to a customer, or by one, against a settlement or on account."""

    input = PaymentInput
    output = PaymentSerializer
    writers = OFFICE

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Payment:
        return record_payment(**data, act=act)


class ReversePayment(CommandView):
    """Take a payment back; both rows stay on record, and the note says why."""

    input = ActSerializer
    output = PaymentSerializer
    writers = OFFICE

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Payment:
        payment = get_object_or_404(Payment, code=path["code"])
        return reverse_payment(payment=payment, act=act)
