"""The month's end and its count sheets, as the API shows them."""

from __future__ import annotations

from typing import Any, ClassVar, Final

import django_filters as filters
from django.db.models import Prefetch, QuerySet
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers
from rest_framework.viewsets import ReadOnlyModelViewSet

from lots.api.fields import ShownMass, show_mass, show_volume, shown_name
from lots.api.listed import listed, narrowed, shows
from lots.models import Place
from lots.people.permissions import WorksOffice
from reports.api.answers import ReportView
from reports.conventions import SIGN_CONVENTION
from reports.exports.count_form import count_form_table
from reports.exports.tables import Table
from reports.models import (
    CountAdjustment,
    CountedMetal,
    CountLine,
    CountSheet,
    MonthEnd,
    MonthReopening,
)
from reports.queries.count_sheets import blind_lines
from reports.queries.month.periods import parse_first_day
from reports.services.counts import ON_SHEET
from reports.services.month_end import month_end_of

ReopeningSerializer: Final = shows(
    "Reopening",
    MonthReopening,
    "reason reopened_by reopened_at closed_by closed_at approved_by one_person statement_digest",
    reopened_by="reopened_by.username",
    closed_by="closed_by.username",
    approved_by="approved_by.username",
)
MonthEndSerializer: Final = shows(
    "MonthEnd",
    MonthEnd,
    "month state prepared_by prepared_at approved_by approved_at one_person closed_by closed_at "
    "waiver statement_digest reopenings version",
    "Who took each step of a month's end, and the digest that was signed.",
    month="books_month",
    prepared_by=shown_name("prepared_by.username"),
    approved_by=shown_name("approved_by.username"),
    closed_by=shown_name("closed_by.username"),
    reopenings=ReopeningSerializer(many=True, read_only=True),
)


class MonthEndViewSet(ReadOnlyModelViewSet[MonthEnd]):
    queryset = MonthEnd.objects.select_related(
        "books_month", "prepared_by", "approved_by", "closed_by"
    ).prefetch_related(
        "reopenings__reopened_by", "reopenings__closed_by", "reopenings__approved_by"
    )
    serializer_class = MonthEndSerializer
    filterset_class = narrowed(
        MonthEnd,
        state=MonthEnd.State,
        from_day=filters.DateFilter(field_name="books_month__first_day", lookup_expr="gte"),
        before_day=filters.DateFilter(field_name="books_month__first_day", lookup_expr="lt"),
    )
    lookup_url_kwarg = "month"
    lookup_field = "books_month__first_day"
    lookup_value_regex = "[0-9-]{1,10}"
    search_fields = ["waiver", "reopenings__reason"]
    ordering_fields = ["books_month__first_day", "state"]
    ordering = ["-books_month__first_day"]

    def get_object(self) -> MonthEnd:
        return month_end_of(self.kwargs["month"])


CountedMetalSerializer: Final = shows(
    "CountedMetal",
    CountedMetal,
    "metal book counted difference standard_uncertainty",
    difference=ShownMass(source="difference_ug", help_text=SIGN_CONVENTION),
    standard_uncertainty=ShownMass(source="standard_uncertainty_ug", allow_null=True),
)


@extend_schema_field(ShownMass(allow_null=True))
def _counted_mass(line: CountLine) -> dict[str, Any] | None:
    """What the counter weighed; where nothing was weighed, it would be the book's own."""
    is_weighed = line.method == CountLine.Method.WEIGHED and line.counted_mass_ug is not None
    return show_mass(line.counted_mass_ug or 0) if is_weighed else None


@extend_schema_field({"type": "object", "nullable": True})
def _counted_volume(line: CountLine) -> dict[str, Any] | None:
    is_read = line.method == CountLine.Method.VOLUME and line.counted_volume_ul is not None
    return show_volume(line.counted_volume_ul or 0) if is_read else None


@extend_schema_field(CountedMetalSerializer(many=True, allow_null=True))
def _metals(line: CountLine) -> Any:
    if line.sheet.state != CountSheet.State.COUNTED:
        return None
    return CountedMetalSerializer(line.metals.all(), many=True).data


CountLineSerializer: Final = shows(
    "CountLine",
    CountLine,
    "lot form description method counted_mass counted_volume counted_by counted_at recount_of "
    "note metals",
    "A lot of a sheet. `metals`, with the book beside the count, once the sheet is counted.",
    form="lot.form",
    description="lot.description",
    counted_by=shown_name("counted_by.username"),
    method=serializers.ChoiceField(
        choices=CountLine.Method.choices, allow_blank=True, read_only=True
    ),
    counted_mass=_counted_mass,
    counted_volume=_counted_volume,
    metals=_metals,
)


@extend_schema_field(CountLineSerializer(many=True))
def _lines(sheet: CountSheet) -> Any:
    known = getattr(sheet, "standing", None)
    lines = list(blind_lines(sheet).prefetch_related("metals")) if known is None else known
    for line in lines:
        line.sheet = sheet
    return CountLineSerializer(lines, many=True).data


def _signs(_sheet: CountSheet) -> str:
    return SIGN_CONVENTION


CountSheetSerializer: Final = shows(
    "CountSheet",
    CountSheet,
    "code month place as_of state opened_by opened_at note lines signs version",
    "A sheet with its lines that stand; no figure of the book before all of it is counted.",
    month="month_end.books_month",
    opened_by="opened_by.username",
    lines=_lines,
    signs=_signs,
)


def _of_month(sheets: QuerySet[CountSheet], name: str, value: str) -> QuerySet[CountSheet]:
    return sheets.filter(month_end__books_month__first_day=parse_first_day(value))


def _form(sheet: CountSheet) -> list[Table]:
    return [count_form_table(sheet, blind_lines(sheet))]


class CountForm(ReportView):
    """A sheet's form to print or fill in, without any figure of the book; upload it when done."""

    asks: ClassVar[dict[str, Any]] = {}
    shows = None
    forms = ("xlsx", "csv")
    file_name = "count"
    tables_of = _form
    summary = "A sheet's form to print or fill in."

    def answer(self, asked: dict[str, Any], **path: Any) -> CountSheet:
        sheet: CountSheet = ON_SHEET.find(path)
        return sheet


AdjustmentSerializer: Final = shows(
    "Adjustment",
    CountAdjustment,
    "id sheet lot cause state note proposed_by proposed_at decided_by decided_at one_person "
    "movement metals",
    "A proposal to bring the book of one lot to its count.",
    sheet="line.sheet.code",
    lot="line.lot.code",
    proposed_by="proposed_by.username",
    decided_by=shown_name("decided_by.username"),
    metals=CountedMetalSerializer(source="line.metals", many=True, read_only=True),
)

LISTS: Final[dict[str, Any]] = {
    "months": MonthEndViewSet,
    "count-sheets": listed(
        CountSheetSerializer,
        {
            "month": filters.CharFilter(method=_of_month),
            "place": "place__code",
            "area": filters.ChoiceFilter(field_name="place__area", choices=Place.Area.choices),
            "state": CountSheet.State,
        },
        related="month_end__books_month",
        prefetched=(
            Prefetch(
                "lines",
                queryset=CountLine.objects.filter(recounted_by__isnull=True)
                .select_related("lot", "counted_by")
                .prefetch_related("metals")
                .order_by("lot__code"),
                to_attr="standing",
            ),
        ),
        search="code place__name note",
        orders="opened_at code state",
        order="-opened_at -id",
        coded=True,
    ),
    "count-adjustments": listed(
        AdjustmentSerializer,
        {
            "sheet": "line__sheet__code",
            "lot": "line__lot__code",
            "state": CountAdjustment.State,
            "cause": CountAdjustment.Cause,
        },
        prefetched="line__metals",
        search="line__lot__code line__sheet__code note",
        orders="proposed_at state",
        order="-proposed_at -id",
        permission=WorksOffice,
    ),
}
