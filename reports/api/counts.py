"""Count sheets through the API: blind until every lot of the sheet is counted."""

from __future__ import annotations

from typing import Any

import django_filters as filters
from django.conf import settings
from django.db.models import Prefetch, QuerySet
from django.shortcuts import get_object_or_404
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.parsers import MultiPartParser
from rest_framework.request import Request
from rest_framework.viewsets import ReadOnlyModelViewSet

from config.refusals import refuse
from lots.api.commands import ActSerializer, CommandView
from lots.api.documents import UploadField
from lots.api.fields import ById, ShownMass, by_code, show_volume, shown_code, shown_name
from lots.api.inputs import VolumeReadingInput, WeightSerializer
from lots.api.questions import QuestionView
from lots.ledger.recording import Act
from lots.models import Assay, Lot, Place
from lots.people.roles import OFFICE
from reports.api.answers import CSV, XLSX, ReportQuestion, csv_file, workbook_file
from reports.api.month_end import month_end_of
from reports.conventions import SIGN_CONVENTION
from reports.exports.count_form import count_form_table
from reports.models import CountedMetal, CountLine, CountSheet
from reports.queries.count_sheets import blind_lines
from reports.queries.month.periods import parse_first_day
from reports.services.count_import import import_counts
from reports.services.counts import (
    Found,
    add_found_lot,
    enter_count,
    open_count_sheet,
    recount_lot,
)


class CountedMetalSerializer(serializers.ModelSerializer[CountedMetal]):
    book = ShownMass(source="book_ug")
    counted = ShownMass(source="counted_ug")
    difference = ShownMass(source="difference_ug", help_text=SIGN_CONVENTION)
    standard_uncertainty = serializers.SerializerMethodField()

    class Meta:
        model = CountedMetal
        fields = ["metal", "book", "counted", "difference", "standard_uncertainty"]
        read_only_fields = fields

    @extend_schema_field(ShownMass(allow_null=True))
    def get_standard_uncertainty(self, counted: CountedMetal) -> dict[str, Any] | None:
        mass_ug = counted.standard_uncertainty_ug
        if mass_ug is None:
            return None
        shown: dict[str, Any] = ShownMass().to_representation(mass_ug)
        return shown


class CountLineSerializer(serializers.ModelSerializer[CountLine]):
    """A lot of a sheet. `metals`, with the book beside the count, once the sheet is counted."""

    lot = shown_code()
    form = serializers.CharField(source="lot.form", read_only=True)
    description = serializers.CharField(source="lot.description", read_only=True)
    counted_by = shown_name("counted_by.username")
    method = serializers.ChoiceField(
        choices=CountLine.Method.choices, allow_blank=True, read_only=True
    )
    counted_mass = serializers.SerializerMethodField()
    counted_volume = serializers.SerializerMethodField()
    metals = serializers.SerializerMethodField()

    class Meta:
        model = CountLine
        fields = [
            "lot",
            "form",
            "description",
            "method",
            "counted_mass",
            "counted_volume",
            "counted_by",
            "counted_at",
            "recount_of",
            "note",
            "metals",
        ]
        read_only_fields = fields

    @extend_schema_field(ShownMass(allow_null=True))
    def get_counted_mass(self, line: CountLine) -> dict[str, Any] | None:
        """What the counter weighed; where nothing was weighed, it would be the book's own."""
        if line.method != CountLine.Method.WEIGHED or line.counted_mass_ug is None:
            return None
        shown: dict[str, Any] = ShownMass().to_representation(line.counted_mass_ug)
        return shown

    @extend_schema_field({"type": "object", "nullable": True})
    def get_counted_volume(self, line: CountLine) -> dict[str, Any] | None:
        if line.method != CountLine.Method.VOLUME or line.counted_volume_ul is None:
            return None
        return show_volume(line.counted_volume_ul)

    @extend_schema_field(CountedMetalSerializer(many=True, allow_null=True))
    def get_metals(self, line: CountLine) -> Any:
        if line.sheet.state != CountSheet.State.COUNTED:
            return None
        return CountedMetalSerializer(line.metals.all(), many=True).data


class CountSheetSerializer(serializers.ModelSerializer[CountSheet]):
    """A sheet with its lines that stand; no figure of the book before all of it is counted."""

    month = serializers.CharField(source="month_end.books_month", read_only=True)
    place = shown_code()
    opened_by = serializers.CharField(source="opened_by.username", read_only=True)
    lines = serializers.SerializerMethodField()
    signs = serializers.SerializerMethodField()

    class Meta:
        model = CountSheet
        fields = [
            "code",
            "month",
            "place",
            "as_of",
            "state",
            "opened_by",
            "opened_at",
            "note",
            "lines",
            "signs",
            "version",
        ]
        read_only_fields = fields

    @extend_schema_field(CountLineSerializer(many=True))
    def get_lines(self, sheet: CountSheet) -> Any:
        known = getattr(sheet, "standing", None)
        lines = list(blind_lines(sheet).prefetch_related("metals")) if known is None else known
        for line in lines:
            line.sheet = sheet
        return CountLineSerializer(lines, many=True).data

    def get_signs(self, sheet: CountSheet) -> str:
        return SIGN_CONVENTION


class CountSheetFilter(filters.FilterSet):
    month = filters.CharFilter(method="of_month")
    place = filters.CharFilter(field_name="place__code")
    area = filters.ChoiceFilter(field_name="place__area", choices=Place.Area.choices)
    state = filters.MultipleChoiceFilter(choices=CountSheet.State.choices)

    class Meta:
        model = CountSheet
        fields: list[str] = []

    def of_month(
        self, queryset: QuerySet[CountSheet], name: str, value: str
    ) -> QuerySet[CountSheet]:
        return queryset.filter(month_end__books_month__first_day=parse_first_day(value))


class CountSheetViewSet(ReadOnlyModelViewSet[CountSheet]):
    queryset = CountSheet.objects.select_related(
        "month_end__books_month", "place", "opened_by"
    ).prefetch_related(
        Prefetch(
            "lines",
            queryset=CountLine.objects.filter(recounted_by__isnull=True)
            .select_related("lot", "counted_by")
            .prefetch_related("metals")
            .order_by("lot__code"),
            to_attr="standing",
        )
    )
    serializer_class = CountSheetSerializer
    filterset_class = CountSheetFilter
    lookup_field = "code"
    lookup_value_regex = "[A-Za-z0-9-]{1,20}"
    search_fields = ["code", "place__name", "note"]
    ordering_fields = ["opened_at", "code", "state"]
    ordering = ["-opened_at", "-id"]


def sheet_of(code: str) -> CountSheet:
    """The sheet of this code, or 404."""
    sheets = CountSheet.objects.select_related("month_end__books_month", "place", "opened_by")
    return get_object_or_404(sheets, code=code)


class OpenSheetInput(ActSerializer):
    place = by_code(Place)
    as_of = serializers.DateTimeField(
        required=False, help_text="The moment counted for: the month's end, or now while it runs."
    )


class OpenSheet(CommandView):
    """Open a sheet of every lot the books have at a place, to be counted blind."""

    input = OpenSheetInput
    output = CountSheetSerializer
    writers = OFFICE

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> CountSheet:
        return open_count_sheet(
            month_end=month_end_of(path["month"]),
            place=data["place"],
            as_of=data.get("as_of"),
            act=act,
        )


class CountInput(ActSerializer):
    """Exactly one of weight, volume, sighted and missing."""

    lot = by_code(Lot)
    weight = WeightSerializer(required=False)
    volume = VolumeReadingInput(required=False)
    sighted = serializers.BooleanField(default=False)
    missing = serializers.BooleanField(default=False)
    assay = ById(queryset=Assay.objects.all(), required=False, allow_null=True, default=None)


def _found(data: dict[str, Any]) -> Found:
    return Found(
        weight=data.get("weight"),
        volume=data.get("volume"),
        sighted=data["sighted"],
        missing=data["missing"],
        assay=data["assay"],
    )


class EnterCount(CommandView):
    """Enter what was found of one lot of a sheet."""

    input = CountInput
    output = CountLineSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> CountLine:
        sheet = sheet_of(path["code"])
        return enter_count(sheet=sheet, lot=data["lot"], found=_found(data), act=act)


class RecountLot(CommandView):
    """Count a lot again; the new count stands and the old one stays on record."""

    input = CountInput
    output = CountLineSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> CountLine:
        sheet = sheet_of(path["code"])
        return recount_lot(sheet=sheet, lot=data["lot"], found=_found(data), act=act)


class FoundLotInput(ActSerializer):
    lot = by_code(Lot)


class AddFoundLot(CommandView):
    """Add a lot that was found at the place and is on no sheet of the month."""

    input = FoundLotInput
    output = CountLineSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> CountLine:
        return add_found_lot(sheet=sheet_of(path["code"]), lot=data["lot"], act=act)


class FormQuestion(ReportQuestion):
    forms = ("xlsx", "csv")

    def get_fields(self) -> dict[str, Any]:
        found = super().get_fields()
        del found["table"]
        found["as"].default = "xlsx"
        return found


class CountForm(QuestionView):
    """A sheet's form to print or fill in, without any figure of the book; upload it when done."""

    asks = FormQuestion

    @extend_schema(
        parameters=[FormQuestion],
        responses={
            (200, XLSX): OpenApiTypes.BINARY,
            (200, CSV): OpenApiTypes.BINARY,
        },
        summary="A sheet's form to print or fill in.",
    )
    def get(self, request: Request, code: str) -> Any:
        asked = self.read(request)
        sheet = sheet_of(code)
        table = count_form_table(sheet, blind_lines(sheet))
        if asked["as"] == "csv":
            return csv_file(table, f"count-{sheet.code}")
        return workbook_file([table], f"count-{sheet.code}")


class UploadInput(ActSerializer):
    file = UploadField()


class UploadCounts(CommandView):
    """Enter every row of a filled-in form, or none: each row at fault is named in `problems`."""

    input = UploadInput
    output = CountSheetSerializer
    parser_classes = [MultiPartParser]

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> CountSheet:
        file = data["file"]
        if file.size > settings.UPLOAD_BYTES_MAX:
            raise refuse("too_large", field="file", value=file.size)
        return import_counts(sheet=sheet_of(path["code"]), content=file.read(), act=act)
