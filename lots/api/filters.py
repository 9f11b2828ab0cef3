"""What the lists of this app can be narrowed by. Unknown names are refused by the backend."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import django_filters as filters
from django.db.models import QuerySet, Sum

from lots.metals import Metal
from lots.models import (
    Assay,
    Document,
    Entry,
    Excess,
    Lot,
    Movement,
    Party,
    Place,
    ProcessBatch,
    SheetImport,
    VolumeReading,
    Weighing,
)
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


class MovementFilter(filters.FilterSet):
    kind = filters.MultipleChoiceFilter(choices=Movement.Kind.choices)
    stage = filters.MultipleChoiceFilter(choices=Movement.Stage.choices)
    cause = filters.CharFilter()
    counterparty = filters.ModelChoiceFilter(queryset=Party.objects.all(), to_field_name="code")
    lot = filters.CharFilter(method="touching_lot")
    account = filters.CharFilter(method="touching_account")
    metal = filters.ChoiceFilter(choices=Metal.choices, method="touching_metal")
    occurred_after = filters.IsoDateTimeFilter(field_name="occurred_at", lookup_expr="gte")
    occurred_before = filters.IsoDateTimeFilter(field_name="occurred_at", lookup_expr="lt")
    recorded_after = filters.IsoDateTimeFilter(field_name="recorded_at", lookup_expr="gte")
    recorded_before = filters.IsoDateTimeFilter(field_name="recorded_at", lookup_expr="lt")
    imported_by = filters.CharFilter(field_name="imported_row__sheet_import__code")

    class Meta:
        model = Movement
        fields: list[str] = []

    def touching_lot(
        self, queryset: QuerySet[Movement], name: str, value: str
    ) -> QuerySet[Movement]:
        return queryset.filter(pk__in=Entry.objects.filter(lot__code=value).values("movement"))

    def touching_account(
        self, queryset: QuerySet[Movement], name: str, value: str
    ) -> QuerySet[Movement]:
        return queryset.filter(pk__in=Entry.objects.filter(account__code=value).values("movement"))

    def touching_metal(
        self, queryset: QuerySet[Movement], name: str, value: str
    ) -> QuerySet[Movement]:
        return queryset.filter(pk__in=Entry.objects.filter(metal=value).values("movement"))


class SheetImportFilter(filters.FilterSet):
    subject = filters.CharFilter()
    origin = filters.MultipleChoiceFilter(choices=SheetImport.Origin.choices)
    file_name = filters.CharFilter(lookup_expr="icontains")
    sha256 = filters.CharFilter()
    recorded_by = filters.CharFilter(field_name="recorded_by__username")
    recorded_after = filters.IsoDateTimeFilter(field_name="recorded_at", lookup_expr="gte")
    recorded_before = filters.IsoDateTimeFilter(field_name="recorded_at", lookup_expr="lt")

    class Meta:
        model = SheetImport
        fields: list[str] = []


class _OfLot(filters.FilterSet):
    lot = filters.CharFilter(field_name="lot__code")
    owner = filters.CharFilter(field_name="lot__owner__code")


class WeighingFilter(_OfLot):
    balance = filters.CharFilter(field_name="balance__code")
    purpose = filters.MultipleChoiceFilter(choices=Weighing.Purpose.choices)
    calibration_overdue = filters.BooleanFilter()
    taken_after = filters.IsoDateTimeFilter(field_name="taken_at", lookup_expr="gte")
    taken_before = filters.IsoDateTimeFilter(field_name="taken_at", lookup_expr="lt")

    class Meta:
        model = Weighing
        fields: list[str] = []


class VolumeReadingFilter(_OfLot):
    taken_after = filters.IsoDateTimeFilter(field_name="taken_at", lookup_expr="gte")
    taken_before = filters.IsoDateTimeFilter(field_name="taken_at", lookup_expr="lt")

    class Meta:
        model = VolumeReading
        fields: list[str] = []


class AssayFilter(_OfLot):
    method = filters.MultipleChoiceFilter(choices=Assay.Method.choices)
    side = filters.MultipleChoiceFilter(choices=Assay.Side.choices)
    laboratory = filters.CharFilter(field_name="laboratory__code")
    metal = filters.ChoiceFilter(field_name="results__metal", choices=Metal.choices, distinct=True)
    reported_after = filters.IsoDateTimeFilter(field_name="reported_at", lookup_expr="gte")
    reported_before = filters.IsoDateTimeFilter(field_name="reported_at", lookup_expr="lt")

    class Meta:
        model = Assay
        fields: list[str] = []


class ProcessBatchFilter(filters.FilterSet):
    kind = filters.MultipleChoiceFilter(choices=ProcessBatch.Kind.choices)
    state = filters.MultipleChoiceFilter(choices=ProcessBatch.State.choices)
    started_after = filters.IsoDateTimeFilter(field_name="started_at", lookup_expr="gte")
    started_before = filters.IsoDateTimeFilter(field_name="started_at", lookup_expr="lt")

    class Meta:
        model = ProcessBatch
        fields: list[str] = []


class ExcessFilter(_OfLot):
    state = filters.MultipleChoiceFilter(choices=Excess.State.choices)
    metal = filters.MultipleChoiceFilter(choices=Metal.choices)

    class Meta:
        model = Excess
        fields: list[str] = []


class DocumentFilter(_OfLot):
    party = filters.CharFilter(field_name="party__code")
    kind = filters.MultipleChoiceFilter(choices=Document.Kind.choices)
    retention_before = filters.DateFilter(field_name="retention_until", lookup_expr="lte")

    class Meta:
        model = Document
        fields: list[str] = []


class PartyFilter(filters.FilterSet):
    kind = filters.MultipleChoiceFilter(choices=Party.Kind.choices)
    is_active = filters.BooleanFilter()

    class Meta:
        model = Party
        fields: list[str] = []


class PlaceFilter(filters.FilterSet):
    area = filters.MultipleChoiceFilter(choices=Place.Area.choices)
    is_active = filters.BooleanFilter()

    class Meta:
        model = Place
        fields: list[str] = []
