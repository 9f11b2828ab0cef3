"""What the lists that pages have too can be narrowed by. Unknown names are refused."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import django_filters as filters
from django.db.models import QuerySet, Sum

from lots.api.listed import Span, narrowed
from lots.metals import Metal
from lots.models import Entry, Lot, Movement, Party, Place, SheetImport
from lots.units import UG_PER_G


class LotFilter(filters.FilterSet):
    """Content limits are grams of `metal` held now."""

    form = filters.MultipleChoiceFilter(choices=Lot.Form.choices)
    state = filters.MultipleChoiceFilter(choices=Lot.State.choices)
    content = filters.MultipleChoiceFilter(choices=Lot.Content.choices)
    owner = filters.ModelChoiceFilter(queryset=Party.objects.all(), to_field_name="code")
    received_from = filters.ModelChoiceFilter(queryset=Party.objects.all(), to_field_name="code")
    place = filters.ModelChoiceFilter(queryset=Place.objects.all(), to_field_name="code")
    area = filters.ChoiceFilter(field_name="place__area", choices=Place.Area.choices)
    registered_after = filters.IsoDateTimeFilter(field_name="registered_at", lookup_expr="gte")
    registered_before = filters.IsoDateTimeFilter(field_name="registered_at", lookup_expr="lt")
    metal = filters.ChoiceFilter(choices=Metal.choices, method="holding_metal")
    content_g_min = filters.NumberFilter(method="content_at_least", min_value=0, max_value=10**7)
    content_g_max = filters.NumberFilter(method="content_at_most", min_value=0, max_value=10**7)

    class Meta:
        model = Lot
        fields: list[str] = []

    def _above(self, limit_ug: int) -> QuerySet[Entry, Any]:
        """Ids of lots that hold more than `limit_ug` of the asked metal (silver unless told)."""
        metal = self.form.cleaned_data.get("metal") or Metal.AG
        return (
            Entry.objects.filter(lot__isnull=False, metal=metal)
            .order_by()
            .values("lot")
            .annotate(total=Sum("mass_ug"))
            .filter(total__gt=limit_ug)
            .values("lot")
        )

    def holding_metal(self, queryset: QuerySet[Lot], name: str, value: Any) -> QuerySet[Lot]:
        return queryset.filter(pk__in=self._above(0))

    def content_at_least(self, queryset: QuerySet[Lot], name: str, value: Decimal) -> QuerySet[Lot]:
        return queryset.filter(pk__in=self._above(int(value * UG_PER_G) - 1))

    def content_at_most(self, queryset: QuerySet[Lot], name: str, value: Decimal) -> QuerySet[Lot]:
        return queryset.exclude(pk__in=self._above(int(value * UG_PER_G)))


def _touching(column: str) -> Any:
    """Movements with an entry of that lot, account or metal."""

    def narrow(movements: QuerySet[Movement], name: str, value: str) -> QuerySet[Movement]:
        return movements.filter(pk__in=Entry.objects.filter(**{column: value}).values("movement"))

    return narrow


MovementFilter = narrowed(
    Movement,
    kind=Movement.Kind,
    stage=Movement.Stage,
    cause="cause",
    counterparty=Party,
    lot=filters.CharFilter(method=_touching("lot__code")),
    account=filters.CharFilter(method=_touching("account__code")),
    metal=filters.ChoiceFilter(choices=Metal.choices, method=_touching("metal")),
    occurred=Span("occurred_at"),
    recorded=Span("recorded_at"),
    imported_by="imported_row__sheet_import__code",
)
SheetImportFilter = narrowed(
    SheetImport,
    subject="subject",
    origin=SheetImport.Origin,
    file_name=filters.CharFilter(lookup_expr="icontains"),
    sha256="sha256",
    recorded_by="recorded_by__username",
    recorded=Span("recorded_at"),
)
