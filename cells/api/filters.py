"""What the lists of this app can be narrowed by."""

from __future__ import annotations

import django_filters as filters

from cells.models import (
    Cell,
    CellRun,
    CellWarning,
    ElectrolyteBatch,
    ElectrolyteReading,
    Harvest,
    RecoveryOutcome,
    RunReading,
    SlimesBag,
)
from lots.metals import Metal


class CellFilter(filters.FilterSet):
    place = filters.CharFilter(field_name="place__code")
    is_active = filters.BooleanFilter()

    class Meta:
        model = Cell
        fields: list[str] = []


class ElectrolyteFilter(filters.FilterSet):
    cell = filters.CharFilter(field_name="cell__code")
    place = filters.CharFilter(field_name="lot__place__code")
    state = filters.CharFilter(field_name="lot__state")
    use_number = filters.NumberFilter(min_value=0, max_value=10**6)

    class Meta:
        model = ElectrolyteBatch
        fields: list[str] = []


class ElectrolyteReadingFilter(filters.FilterSet):
    batch = filters.CharFilter(field_name="batch__lot__code")
    taken_after = filters.IsoDateTimeFilter(field_name="taken_at", lookup_expr="gte")
    taken_before = filters.IsoDateTimeFilter(field_name="taken_at", lookup_expr="lt")

    class Meta:
        model = ElectrolyteReading
        fields: list[str] = []


class RunFilter(filters.FilterSet):
    cell = filters.CharFilter(field_name="cell__code")
    electrolyte = filters.CharFilter(field_name="electrolyte__lot__code")
    state = filters.MultipleChoiceFilter(choices=CellRun.State.choices)
    bag_torn = filters.BooleanFilter()
    charged_after = filters.IsoDateTimeFilter(field_name="charged_at", lookup_expr="gte")
    charged_before = filters.IsoDateTimeFilter(field_name="charged_at", lookup_expr="lt")

    class Meta:
        model = CellRun
        fields: list[str] = []


class RunReadingFilter(filters.FilterSet):
    run = filters.CharFilter(field_name="run__code")
    taken_after = filters.IsoDateTimeFilter(field_name="taken_at", lookup_expr="gte")
    taken_before = filters.IsoDateTimeFilter(field_name="taken_at", lookup_expr="lt")

    class Meta:
        model = RunReading
        fields: list[str] = []


class HarvestFilter(filters.FilterSet):
    run = filters.CharFilter(field_name="run__code")
    cell = filters.CharFilter(field_name="run__cell__code")
    torn = filters.BooleanFilter()
    harvested_after = filters.IsoDateTimeFilter(field_name="harvested_at", lookup_expr="gte")
    harvested_before = filters.IsoDateTimeFilter(field_name="harvested_at", lookup_expr="lt")

    class Meta:
        model = Harvest
        fields: list[str] = []


class SlimesBagFilter(filters.FilterSet):
    state = filters.MultipleChoiceFilter(choices=SlimesBag.State.choices)
    run = filters.CharFilter(field_name="run__code")
    place = filters.CharFilter(field_name="lot__place__code")
    torn = filters.BooleanFilter()
    metal = filters.ChoiceFilter(
        field_name="estimates__metal", choices=Metal.choices, distinct=True
    )
    bagged_after = filters.IsoDateTimeFilter(field_name="bagged_at", lookup_expr="gte")
    bagged_before = filters.IsoDateTimeFilter(field_name="bagged_at", lookup_expr="lt")

    class Meta:
        model = SlimesBag
        fields: list[str] = []


class WarningFilter(filters.FilterSet):
    run = filters.CharFilter(field_name="run__code")
    rule = filters.CharFilter()
    state = filters.MultipleChoiceFilter(choices=CellWarning.State.choices)

    class Meta:
        model = CellWarning
        fields: list[str] = []


class RecoveryOutcomeFilter(filters.FilterSet):
    bag = filters.CharFilter(field_name="bag__lot__code")
    batch = filters.CharFilter(field_name="process_batch__code")
    run = filters.CharFilter(field_name="bag__run__code")
    metal = filters.MultipleChoiceFilter(choices=Metal.choices)

    class Meta:
        model = RecoveryOutcome
        fields: list[str] = []
