"""Fine metal on its way out through the API: bars listed, silver graded, lots delivered."""

from __future__ import annotations

from decimal import Decimal
from typing import Any, Final

import django_filters as filters
from django.shortcuts import get_object_or_404
from rest_framework import serializers
from rest_framework.viewsets import ReadOnlyModelViewSet

from config.refusals import refuse
from lots.api.commands import ActSerializer, CommandView
from lots.api.fields import ById, ShownMass, by_code, full_name, shown_code
from lots.api.inputs import WeightSerializer
from lots.api.questions import Question, QuestionView
from lots.bars import SMALL_GOLD_BARS, RoundingRule
from lots.ledger.recording import Act
from lots.measurements.grade import LotGrade, grade_of, latest_analysis
from lots.measurements.impurities import ImpurityReport, record_impurities
from lots.metals import Metal
from lots.models import (
    Assay,
    BarRecord,
    DeliveryLine,
    DeliveryNote,
    ImpurityAnalysis,
    Lot,
    Party,
    Weighing,
)
from lots.services.bars_listing import Bar, list_bar, strike_bar
from lots.services.delivery import Delivered, deliver, take_back_delivery
from lots.units import parse_decimal

DIRECTIONS: Final = ("down", "half up", "half even")


class RoundingInput(serializers.Serializer[Any]):
    """A rounding the parties agreed: its direction, and its step in troy ounces."""

    direction = serializers.ChoiceField(choices=DIRECTIONS)
    step = serializers.CharField(max_length=20)

    def to_internal_value(self, data: Any) -> Any:
        values = super().to_internal_value(data)
        step = parse_decimal(
            values["step"],
            field=f"{full_name(self)}.step",
            minimum=Decimal("0.000001"),
            maximum=Decimal(1000),
            decimals_max=6,
        )
        return RoundingRule(values["direction"], step)


class BarInput(ActSerializer):
    mark = serializers.CharField(max_length=200, allow_blank=True, help_text="As stamped.")
    metal = serializers.ChoiceField(choices=Metal.choices)
    weighing = ById(queryset=Weighing.objects.all())
    assay = ById(queryset=Assay.objects.all())
    stamped = serializers.CharField(
        required=False,
        allow_null=True,
        default=None,
        help_text="Parts per thousand, at most the assay's; the assay's own if left out.",
    )
    turn_of_scale = serializers.BooleanField(default=False)
    gross_rule = RoundingInput(required=False)
    fine_rule = RoundingInput(required=False)
    small_bar = serializers.CharField(
        required=False,
        default="",
        allow_blank=True,
        max_length=20,
        help_text="A bar of the agreed table: " + ", ".join(SMALL_GOLD_BARS.fine_ozt) + ".",
    )


class BarRecordSerializer(serializers.ModelSerializer[BarRecord]):
    lot = shown_code()
    mass = ShownMass(source="mass_ug")
    listed_by = serializers.CharField(source="listed_by.username", read_only=True)

    class Meta:
        model = BarRecord
        fields = [
            "id",
            "lot",
            "mark",
            "metal",
            "mass",
            "gross_ozt",
            "gross_rule",
            "fineness_ppt",
            "fine_ozt",
            "fine_basis",
            "fine_rule",
            "fine_source",
            "weighing",
            "assay",
            "listed_at",
            "listed_by",
            "note",
            "struck_at",
            "struck_reason",
        ]
        read_only_fields = fields


class ListBar(CommandView):
    """Put a bar on the list: gross and fine weight, and by which rules.

    London's rules apply to large bars, the agreed table to a `small_bar`, or the parties' own.
    """

    input = BarInput
    output = BarRecordSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> BarRecord:
        stamped = data["stamped"]
        bar = Bar(
            mark=data["mark"],
            metal=data["metal"],
            weighing=data["weighing"],
            assay=data["assay"],
            stamped_ppt=None if stamped is None else parse_decimal(stamped, field="stamped"),
            turn_of_scale=data["turn_of_scale"],
            gross_rule=data.get("gross_rule"),
            fine_rule=data.get("fine_rule"),
            small_bar=data["small_bar"],
        )
        return list_bar(lot=get_object_or_404(Lot, code=path["code"]), bar=bar, act=act)


class StrikeInput(ActSerializer):
    reason = serializers.CharField(max_length=1000, allow_blank=True)


class StrikeBar(CommandView):
    """Strike a wrong entry out of the bar list; it stays on record and says why."""

    input = StrikeInput
    output = BarRecordSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> BarRecord:
        record = get_object_or_404(BarRecord, pk=path["pk"])
        return strike_bar(record=record, reason=data["reason"], act=act)


class BarFilter(filters.FilterSet):
    lot = filters.CharFilter(field_name="lot__code")
    metal = filters.MultipleChoiceFilter(choices=Metal.choices)
    state = filters.MultipleChoiceFilter(
        field_name="lot__state", choices=Lot.State.choices, label="State of the lot"
    )
    struck = filters.BooleanFilter(field_name="struck_at", lookup_expr="isnull", exclude=True)
    delivery_note = filters.CharFilter(method="on_note")
    listed_after = filters.IsoDateTimeFilter(field_name="listed_at", lookup_expr="gte")
    listed_before = filters.IsoDateTimeFilter(field_name="listed_at", lookup_expr="lt")

    class Meta:
        model = BarRecord
        fields: list[str] = []

    def on_note(self, queryset: Any, name: str, value: str) -> Any:
        lines = DeliveryLine.objects.filter(note__code=value)
        return queryset.filter(pk__in=lines.values("bar_record"))


class BarRecordViewSet(ReadOnlyModelViewSet[BarRecord]):
    queryset = BarRecord.objects.select_related("lot", "listed_by")
    serializer_class = BarRecordSerializer
    filterset_class = BarFilter
    lookup_value_regex = "[0-9]{1,18}"
    search_fields = ["mark", "lot__code", "note"]
    ordering_fields = ["listed_at", "mark", "gross_ozt", "fine_ozt"]
    ordering = ["-listed_at", "-id"]


class ImpurityInput(ActSerializer):
    laboratory = by_code(Party)
    contents = serializers.DictField(
        child=serializers.CharField(), help_text="Parts per thousand by element, silver too."
    )
    certificate = serializers.CharField(
        max_length=200, required=False, default="", allow_blank=True
    )


class ImpuritySerializer(serializers.ModelSerializer[ImpurityAnalysis]):
    lot = shown_code()
    laboratory = shown_code()
    contents = serializers.DictField(source="contents_ppt", read_only=True)

    class Meta:
        model = ImpurityAnalysis
        fields = [
            "id",
            "lot",
            "laboratory",
            "certificate",
            "contents",
            "reported_at",
            "recorded_at",
            "note",
        ]
        read_only_fields = fields


class RecordImpurities(CommandView):
    """Keep a laboratory's analysis of fine metal for impurities."""

    input = ImpurityInput
    output = ImpuritySerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> ImpurityAnalysis:
        report = ImpurityReport(data["laboratory"], data["contents"], data["certificate"])
        return record_impurities(
            lot=get_object_or_404(Lot, code=path["code"]), report=report, act=act
        )


class ImpurityFilter(filters.FilterSet):
    lot = filters.CharFilter(field_name="lot__code")
    laboratory = filters.CharFilter(field_name="laboratory__code")
    reported_after = filters.IsoDateTimeFilter(field_name="reported_at", lookup_expr="gte")
    reported_before = filters.IsoDateTimeFilter(field_name="reported_at", lookup_expr="lt")

    class Meta:
        model = ImpurityAnalysis
        fields: list[str] = []


class ImpurityViewSet(ReadOnlyModelViewSet[ImpurityAnalysis]):
    queryset = ImpurityAnalysis.objects.select_related("lot", "laboratory")
    serializer_class = ImpuritySerializer
    filterset_class = ImpurityFilter
    lookup_value_regex = "[0-9]{1,18}"
    search_fields = ["lot__code", "certificate", "note"]
    ordering_fields = ["reported_at"]
    ordering = ["-reported_at", "-id"]


class GradeQuestion(Question):
    analysis = serializers.IntegerField(
        required=False, min_value=1, max_value=2**62, help_text="The latest if left out."
    )


class GradeLot(QuestionView):
    """Which grade of refined silver the lot's latest impurity analysis reaches, and why no better.

    What the analysis left out is named: the grade is only as good as that.
    """

    asks = GradeQuestion
    shows = LotGrade

    def answer(self, asked: dict[str, Any], **path: Any) -> LotGrade:
        lot = get_object_or_404(Lot, code=path["code"])
        analysis = latest_analysis(lot)
        if "analysis" in asked:
            analysis = get_object_or_404(lot.impurity_analyses, pk=asked["analysis"])
        if analysis is None:
            raise refuse("not_analysed", field="lot", value=path["code"])
        return grade_of(analysis)


class DeliveredInput(serializers.Serializer[Any]):
    lot = by_code(Lot)
    weight = WeightSerializer(required=False, help_text="At the door.")

    def to_internal_value(self, data: Any) -> Any:
        values = super().to_internal_value(data)
        return Delivered(values["lot"], values.get("weight"))


class DeliveryInput(ActSerializer):
    kind = serializers.ChoiceField(choices=DeliveryNote.Kind.choices)
    party = by_code(Party)
    lots = DeliveredInput(many=True)
    carrier = serializers.CharField(max_length=400, required=False, default="", allow_blank=True)


class DeliveryNoteSerializer(serializers.ModelSerializer[DeliveryNote]):
    """A note's head and its lots; its document has the weights and the metal."""

    party = shown_code()
    delivered_by = serializers.CharField(source="delivered_by.username", read_only=True)
    lots = serializers.SerializerMethodField()
    movements = serializers.SerializerMethodField()

    class Meta:
        model = DeliveryNote
        fields = [
            "code",
            "kind",
            "party",
            "carrier",
            "delivered_at",
            "recorded_at",
            "delivered_by",
            "note",
            "lots",
            "movements",
        ]
        read_only_fields = fields

    def get_lots(self, note: DeliveryNote) -> list[str]:
        return [line.lot.code for line in note.lines.all()]

    def get_movements(self, note: DeliveryNote) -> list[int]:
        return [line.movement.sequence for line in note.lines.all()]


class Deliver(CommandView):
    """Ship several lots to a party, or return them to a customer, under one note."""

    step = "ship"
    input = DeliveryInput
    output = DeliveryNoteSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> DeliveryNote:
        return deliver(
            kind=data["kind"],
            party=data["party"],
            items=data["lots"],
            carrier=data["carrier"],
            act=act,
        )


class TakeBackInput(ActSerializer):
    reason = serializers.CharField(max_length=1000, allow_blank=True)


class TakeBackDelivery(CommandView):
    """Reverse every movement of a delivery note at once; the note stays on record."""

    input = TakeBackInput
    output = DeliveryNoteSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> DeliveryNote:
        note = get_object_or_404(DeliveryNote, code=path["code"])
        return take_back_delivery(note=note, reason=data["reason"], act=act)


class DeliveryFilter(filters.FilterSet):
    kind = filters.MultipleChoiceFilter(choices=DeliveryNote.Kind.choices)
    party = filters.CharFilter(field_name="party__code")
    lot = filters.CharFilter(field_name="lines__lot__code", distinct=True)
    delivered_after = filters.IsoDateTimeFilter(field_name="delivered_at", lookup_expr="gte")
    delivered_before = filters.IsoDateTimeFilter(field_name="delivered_at", lookup_expr="lt")

    class Meta:
        model = DeliveryNote
        fields: list[str] = []


class DeliveryNoteViewSet(ReadOnlyModelViewSet[DeliveryNote]):
    queryset = DeliveryNote.objects.select_related("party", "delivered_by").prefetch_related(
        "lines__lot", "lines__movement"
    )
    serializer_class = DeliveryNoteSerializer
    filterset_class = DeliveryFilter
    lookup_field = "code"
    lookup_value_regex = "[A-Za-z0-9-]{1,20}"
    search_fields = ["code", "carrier", "note", "party__name"]
    ordering_fields = ["delivered_at", "code"]
    ordering = ["-delivered_at", "-id"]
