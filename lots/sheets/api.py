"""Imports of sheets through the API: a file or rows, tried or recorded, and what came of them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

from django.db import transaction
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema, extend_schema_field
from rest_framework import serializers, status
from rest_framework.decorators import action
from rest_framework.parsers import MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.viewsets import ReadOnlyModelViewSet

from config.parsers import ExactJSONParser, exact_json
from config.refusals import InvalidError, refuse
from lots.api import filters
from lots.api.commands import (
    KEY_PARAMETER,
    ActSerializer,
    ProblemSerializer,
    act_of,
    as_plain,
    facts_of,
)
from lots.api.fields import ShownMetals
from lots.api.listed import shows
from lots.ledger.recording import remember_answer
from lots.models import ImportedRow, SheetImport
from lots.people.permissions import role_of
from lots.sheets.cells import Sheet, to_json
from lots.sheets.columns import Layout, rows_below
from lots.sheets.files import check_size, read_sheet
from lots.sheets.headings import guess_layout
from lots.sheets.record import Upload, digest_of, record_import, try_import
from lots.sheets.recorded import rows_of
from lots.sheets.request_rows import check_row_count, layout_with, sheet_of_rows
from lots.sheets.subjects import (
    OFFICE_AND_BENCH,
    Subject,
    check_may_import,
    subject_named,
    subjects_for,
)
from lots.sheets.values import DAY_MONTH, MONTH_DAY
from lots.written import COMMA, POINT

_HEADER_ROW_MAX: Final = 1_048_576


@extend_schema_field(
    {
        "type": "array",
        "items": {"type": "object", "additionalProperties": {}},
        "example": [{"lot": "GR26-0417-1", "gross": "512.4 g", "balance": "bench"}],
    }
)
class RowsField(serializers.Field):  # type: ignore[type-arg]
    """Rows by column name; each cell text, a number in the column's unit, or true or false."""

    def to_internal_value(self, data: Any) -> list[Any]:
        if isinstance(data, list):
            return data
        raise refuse("not_a_list", field="rows", value=data)

    def to_representation(self, value: Any) -> Any:
        return value


@extend_schema_field(
    {
        "type": "object",
        "additionalProperties": {
            "type": "object",
            "properties": {
                "column": {"type": "integer", "minimum": 1},
                "value": {"type": "string"},
                "unit": {"type": "string"},
            },
        },
    }
)
class ColumnsField(serializers.Field):  # type: ignore[type-arg]
    """Where a column stands in the file, its unit, or one value for every row; else guessed."""

    def to_internal_value(self, data: Any) -> dict[str, Any]:
        if isinstance(data, str):
            try:
                data = exact_json(data)
            except InvalidError:
                raise
            except (ValueError, RecursionError):
                data = None
        if isinstance(data, dict):
            return data
        raise refuse("not_a_column", field="columns")

    def to_representation(self, value: Any) -> Any:
        return value


class ImportInput(ActSerializer):
    """A file (xlsx or CSV, as multipart) or `rows`; `dry_run` tries it and records nothing."""

    subject = serializers.CharField(max_length=20)
    file = serializers.FileField(required=False, allow_empty_file=True)
    rows = RowsField(required=False)
    columns = ColumnsField(required=False)
    header_row = serializers.IntegerField(
        required=False, min_value=0, max_value=_HEADER_ROW_MAX, help_text="0: no headings."
    )
    date_order = serializers.ChoiceField(
        choices=[DAY_MONTH, MONTH_DAY], required=False, help_text="Of days such as 03/04/2026."
    )
    decimal_sign = serializers.ChoiceField(
        choices=[COMMA, POINT], required=False, help_text="Of numbers such as 1,234."
    )
    dry_run = serializers.BooleanField(default=False)
    again = serializers.BooleanField(
        default=False, help_text="The same was recorded before and happened once more."
    )

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if ("file" in attrs) == ("rows" in attrs):
            raise refuse("one_source_needed", field="file")
        return attrs


ImportSerializer = shows(
    "Import",
    SheetImport,
    "code subject origin file_name sha256 row_count recorded_at recorded_by note",
)
ImportedRowSerializer = shows(
    "ImportedRow",
    ImportedRow,
    "number movement reversed_by lot recorded_model recorded_pk shown_as",
    "One row and what was recorded of it; `reversed_by` once its movement was taken back.",
    movement=serializers.IntegerField(source="movement.sequence", allow_null=True, default=None),
    reversed_by=serializers.IntegerField(
        source="movement.reversed_by.sequence", allow_null=True, default=None
    ),
    lot=serializers.CharField(source="lot.code", allow_null=True, default=None),
)


class TrialSerializer(serializers.Serializer[Any]):
    """What recording would come to: every problem by `rows.<number>.<column>`, and the metal."""

    subject = serializers.CharField()
    rows = serializers.IntegerField()
    problems = ProblemSerializer(many=True)
    metals = ShownMetals()


class SubjectColumnSerializer(serializers.Serializer[Any]):
    name = serializers.CharField()
    header = serializers.CharField()
    kind = serializers.CharField(source="kind.value")
    meaning = serializers.CharField()
    needed = serializers.BooleanField(source="required")
    units = serializers.SerializerMethodField()
    usual_unit = serializers.CharField()
    choices = serializers.SerializerMethodField()
    example = serializers.CharField()

    @extend_schema_field({"type": "array", "items": {"type": "string"}})
    def get_units(self, column: Any) -> list[str]:
        return [unit for unit, _ in column.units]

    @extend_schema_field({"type": "array", "items": {"type": "string"}})
    def get_choices(self, column: Any) -> list[str]:
        return [value for value, _ in column.choices]


class SubjectSerializer(serializers.Serializer[Any]):
    """What can be imported, with its columns."""

    name = serializers.CharField()
    title = serializers.CharField()
    about = serializers.CharField()
    columns = SubjectColumnSerializer(many=True)


class SheetImportViewSet(ReadOnlyModelViewSet[SheetImport]):
    """Imports of whole sheets, the last first. What a row recorded is taken back by itself."""

    queryset = SheetImport.objects.select_related("recorded_by")
    serializer_class = ImportSerializer
    filterset_class = filters.SheetImportFilter
    writers = OFFICE_AND_BENCH
    parser_classes = [ExactJSONParser, MultiPartParser]
    lookup_field = "code"
    lookup_value_regex = "[A-Za-z0-9]{2,6}-[A-Za-z0-9-]{1,14}"
    http_method_names = ["get", "post", "head", "options"]
    search_fields = ["code", "file_name", "note"]
    ordering_fields = ["recorded_at", "code", "row_count"]
    ordering = ["-recorded_at", "-id"]

    @extend_schema(
        request={"multipart/form-data": ImportInput, "application/json": ImportInput},
        responses={201: ImportSerializer, 200: TrialSerializer},
        parameters=[KEY_PARAMETER],
    )
    def create(self, request: Request) -> Response:
        """Import a sheet: all of its rows are recorded, or none and every problem is named.

        With `dry_run` nothing is recorded and the answer (200) says what would happen. A request
        takes at most 2000 rows; the pages take 10000.
        """
        body = ImportInput(data=facts_of(request), context={"request": request})
        body.is_valid(raise_exception=True)
        data = dict(body.validated_data)
        act = act_of(request, data)
        subject = subject_named(data["subject"])
        check_may_import(subject, role_of(request))
        upload = _upload(subject, data)
        if data["dry_run"]:
            trial = try_import(upload=upload, act=act)
            shown = {"subject": subject.name, **vars(trial)}
            return Response(TrialSerializer(shown).data)
        with transaction.atomic():
            made = record_import(upload=upload, act=act)
            answer = remember_answer(act.key, as_plain(ImportSerializer(made).data))
        return Response(answer, status=status.HTTP_201_CREATED)

    @extend_schema(
        responses=ImportedRowSerializer(many=True),
        parameters=[OpenApiParameter("page", OpenApiTypes.INT), OpenApiParameter("page_size", int)],
        filters=False,
    )
    @action(detail=True, url_path="rows", filterset_class=None)
    def rows(self, request: Request, code: str) -> Response:
        """The rows of an import, each with its movement and its lot."""
        page: Any = self.paginate_queryset(rows_of(self.get_object()))  # type: ignore[arg-type]
        return self.get_paginated_response(ImportedRowSerializer(page, many=True).data)

    @extend_schema(responses=SubjectSerializer(many=True), filters=False)
    @action(detail=False, url_path="subjects", pagination_class=None, filterset_class=None)
    def subjects(self, request: Request) -> Response:
        """What this person may import, column by column."""
        return Response(SubjectSerializer(subjects_for(role_of(request)), many=True).data)


def _upload(subject: Subject, data: dict[str, Any]) -> Upload:
    """The request's sheet with its layout: guessed, then as the request says."""
    sheet: Sheet
    if "rows" in data:
        sheet, layout, sha256 = sheet_of_rows(subject, data["rows"])
        origin, name = SheetImport.Origin.REQUEST, ""
    else:
        check_size(data["file"].size)
        content = data["file"].read()
        sheet = read_sheet(content)
        layout = guess_layout(sheet, subject.columns, data.get("header_row"))
        origin, name, sha256 = SheetImport.Origin.FILE, data["file"].name or "", digest_of(content)
    layout = replace(
        layout_with(layout, data.get("columns", {})),
        date_order=data.get("date_order", ""),
        decimal_sign=data.get("decimal_sign", ""),
    )
    _check_rows(sheet, layout)
    return Upload(
        subject=subject.name,
        cells=to_json(sheet).encode(),
        layout=layout,
        sha256=sha256,
        origin=origin,
        file_name=name,
        again=data["again"],
    )


def _check_rows(sheet: Sheet, layout: Layout) -> None:
    check_row_count(len(rows_below(sheet, layout)))
