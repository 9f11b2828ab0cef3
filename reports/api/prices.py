"""The works' own price table through the API; it only ever grows."""

from __future__ import annotations

from typing import Any

import django_filters as filters
from rest_framework import serializers
from rest_framework.viewsets import ReadOnlyModelViewSet

from lots.api.commands import ActSerializer, CommandView
from lots.api.fields import ExactField
from lots.ledger.recording import Act
from lots.metals import Metal
from lots.people.roles import OFFICE
from reports.models import MetalPrice
from reports.services.prices import record_price


class PriceSerializer(serializers.ModelSerializer[MetalPrice]):
    class Meta:
        model = MetalPrice
        fields = ["id", "metal", "per_unit", "price", "currency", "from_date", "source"]
        read_only_fields = fields


class PriceFilter(filters.FilterSet):
    metal = filters.MultipleChoiceFilter(choices=Metal.choices)
    currency = filters.CharFilter()
    from_day = filters.DateFilter(field_name="from_date", lookup_expr="gte")
    before_day = filters.DateFilter(field_name="from_date", lookup_expr="lt")

    class Meta:
        model = MetalPrice
        fields: list[str] = []


class PriceViewSet(ReadOnlyModelViewSet[MetalPrice]):
    """Prices as the works entered them; a later row of a metal takes over from an earlier."""

    queryset = MetalPrice.objects.all()
    serializer_class = PriceSerializer
    filterset_class = PriceFilter
    lookup_value_regex = "[0-9]{1,18}"
    search_fields = ["source"]
    ordering_fields = ["from_date", "metal"]
    ordering = ["-from_date", "metal", "id"]


class PriceInput(ActSerializer):
    metal = serializers.ChoiceField(choices=Metal.choices)
    per_unit = serializers.ChoiceField(choices=MetalPrice.Unit.choices)
    price = ExactField()
    currency = serializers.CharField(max_length=40, help_text="ISO 4217, such as EUR.")
    from_date = serializers.DateField()
    source = serializers.CharField(  # type: ignore[assignment]
        max_length=120, required=False, default="", allow_blank=True
    )


class RecordPrice(CommandView):
    """Enter the price of a unit of a metal from a day on. No price is looked up anywhere."""

    input = PriceInput
    output = PriceSerializer
    writers = OFFICE

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> MetalPrice:
        return record_price(**data, act=act)
