"""The bar list as a page, a workbook and a paper, narrowed alike."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any, Final

import django_filters as filters
from django import forms
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse

from config.pages import to_save
from lots import clock
from lots.local_law import LOCAL_LAW
from lots.metals import Metal
from lots.models import BarRecord, DeliveryLine, Lot, Party
from lots.pages.lists import show_list
from lots.people.access import staff_page
from lots.queries.bar_list import ONLY_FIGURES, RULES, bar_list, bar_row, bar_totals
from reports.exports.bar_list import write_bar_list_workbook
from reports.exports.bar_list_pdf import bar_list_pdf

UNLISTED_MAX: Final = 20
ON_HAND, GONE, STRUCK, ALL = "on_hand", "gone", "struck", "all"
WHICH: Final = (
    (ON_HAND, "On hand"),
    (GONE, "No longer on hand"),
    (STRUCK, "Struck out"),
    (ALL, "All"),
)
_AT_THE_WORKS: Final = (Lot.State.AVAILABLE, Lot.State.QUARANTINED, Lot.State.IN_PROCESS)


class BarListFilter(filters.FilterSet):
    """Bars at the works unless told otherwise."""

    which = filters.ChoiceFilter(
        choices=WHICH, method="standing", label="Which bars", empty_label=None
    )
    metal = filters.ChoiceFilter(choices=Metal.choices)
    mark = filters.CharFilter(lookup_expr="icontains")
    delivery_note = filters.CharFilter(method="on_note", label="Delivery note")
    listed_after = filters.DateFilter(
        field_name="listed_at__date",
        lookup_expr="gte",
        label="Listed from",
        widget=forms.DateInput({"type": "date"}),
    )
    listed_before = filters.DateFilter(
        field_name="listed_at__date",
        lookup_expr="lte",
        label="Listed until",
        widget=forms.DateInput({"type": "date"}),
    )

    class Meta:
        model = BarRecord
        fields: list[str] = []

    def __init__(self, data: Any = None, *args: Any, **kwargs: Any) -> None:
        given = {name: value for name, value in (data or {}).items() if name != "page"}
        given.setdefault("which", ALL if given.get("delivery_note") else ON_HAND)
        super().__init__(given, *args, **kwargs)

    def standing(self, records: QuerySet[BarRecord], name: str, value: str) -> Any:
        if value == ALL:
            return records
        if value == STRUCK:
            return records.filter(struck_at__isnull=False)
        records = records.filter(struck_at=None)
        at_the_works = {"lot__state__in": _AT_THE_WORKS}
        return (
            records.filter(**at_the_works) if value == ON_HAND else records.exclude(**at_the_works)
        )

    def on_note(self, records: QuerySet[BarRecord], name: str, value: str) -> Any:
        lines = DeliveryLine.objects.filter(note__code=value.strip().upper())
        return records.filter(pk__in=lines.values("bar_record"))


def _records() -> QuerySet[BarRecord]:
    return BarRecord.objects.select_related("lot").order_by("metal", "mark", "id")


@staff_page
def bars_page(request: HttpRequest) -> HttpResponse:
    def more(chosen: filters.FilterSet, page: Sequence[BarRecord]) -> dict[str, Any]:
        return {
            "totals": bar_totals(chosen.qs) if chosen.form.is_valid() else [],
            "which": dict(WHICH).get(chosen.form.cleaned_data.get("which", ""), ""),
            "has_pick": any(
                record.struck_at is None and record.lot.state == Lot.State.AVAILABLE
                for record in page
            ),
            "unlisted": Lot.objects.filter(form=Lot.Form.BAR, state=Lot.State.AVAILABLE)
            .exclude(pk__in=BarRecord.objects.filter(struck_at=None).values("lot"))
            .select_related("owner")
            .order_by("-id")[:UNLISTED_MAX],
            "folded": not request.GET,
            "house": Party.objects.filter(kind=Party.Kind.HOUSE).first(),
            "now": clock.now(),
            "notes": (RULES, ONLY_FIGURES, LOCAL_LAW),
        }

    return show_list(
        request,
        "reports/bars.html",
        BarListFilter,
        _records(),
        section="bench",
        first="which metal mark delivery_note",
        told=lambda page: [(record, bar_row(record)) for record in page],
        more=more,
    )


@staff_page
def bars_workbook(request: HttpRequest) -> HttpResponse:
    """What the page lists, as a workbook whose totals are formulas."""
    file = io.BytesIO()
    write_bar_list_workbook(bar_list(_listed(request)), file)
    return to_save(file.getvalue(), "bars.xlsx")


@staff_page
def bars_paper(request: HttpRequest) -> HttpResponse:
    """What the page lists, to print and sign."""
    house = Party.objects.filter(kind=Party.Kind.HOUSE).first()
    paper = bar_list_pdf(
        bar_list(_listed(request)), house=house.name if house else "", made_at=clock.now()
    )
    return to_save(paper, "bars.pdf")


def _listed(request: HttpRequest) -> QuerySet[BarRecord]:
    chosen = BarListFilter(request.GET, queryset=_records())
    return chosen.qs if chosen.form.is_valid() else BarRecord.objects.none()
