"""Customers' contract terms through the API, version after version."""

from __future__ import annotations

from typing import Any

import django_filters as filters
from rest_framework import serializers
from rest_framework.viewsets import ReadOnlyModelViewSet

from lots.api.commands import ActSerializer, CommandView
from lots.api.fields import by_code, shown_code
from lots.ledger.recording import Act
from lots.models import Lot, Party
from lots.people.roles import OFFICE
from reports.models import ContractTerms
from reports.services.terms import set_terms


class TermsSerializer(serializers.ModelSerializer[ContractTerms]):
    """One version of a customer's terms; a blank form means all forms."""

    customer = shown_code()
    recorded_by = serializers.CharField(source="recorded_by.username", read_only=True)
    form = serializers.CharField(read_only=True)

    class Meta:
        model = ContractTerms
        fields = [
            "id",
            "customer",
            "form",
            "number",
            "valid_from",
            "content",
            "note",
            "recorded_by",
            "recorded_at",
        ]
        read_only_fields = fields


class TermsFilter(filters.FilterSet):
    customer = filters.CharFilter(field_name="customer__code")
    form = filters.MultipleChoiceFilter(choices=Lot.Form.choices)
    valid_from_day = filters.DateFilter(field_name="valid_from", lookup_expr="gte")
    valid_before_day = filters.DateFilter(field_name="valid_from", lookup_expr="lt")

    class Meta:
        model = ContractTerms
        fields: list[str] = []


class TermsViewSet(ReadOnlyModelViewSet[ContractTerms]):
    queryset = ContractTerms.objects.select_related("customer", "recorded_by")
    serializer_class = TermsSerializer
    filterset_class = TermsFilter
    lookup_value_regex = "[0-9]{1,18}"
    search_fields = ["customer__code", "customer__name", "note"]
    ordering_fields = ["valid_from", "number"]
    ordering = ["customer__name", "form", "-valid_from", "-number", "id"]


class TermsInput(ActSerializer):
    customer = by_code(Party)
    content = serializers.DictField(
        help_text="Fields of the terms: currency, settle_in, weight_basis, metals, treatment, "
        "penalties, prices and rounding. A refusal names the field at fault."
    )
    form = serializers.ChoiceField(
        choices=Lot.Form.choices, required=False, default="", allow_blank=True
    )
    valid_from = serializers.DateField(required=False)


class SetTerms(CommandView):
    """Write down the next version of a customer's terms; the versions before stay."""

    input = TermsInput
    output = TermsSerializer
    writers = OFFICE

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> ContractTerms:
        return set_terms(
            customer=data["customer"],
            content=data["content"],
            form=data["form"],
            valid_from=data.get("valid_from"),
            act=act,
        )
