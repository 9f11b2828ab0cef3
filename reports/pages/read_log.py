"""Who read which customer's data and when, for the office."""

from __future__ import annotations

import datetime as dt
from typing import Any, Final

import django_filters as filters
from django import forms
from django.contrib.auth import get_user_model
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.urls import reverse

from lots.models import Party
from lots.pages.lists import show_list
from lots.people.access import office_page
from reports.models import AccessRecord
from reports.queries.month.periods import day_bounds

# Days that a calendar of any time zone can reckon with.
_DAYS: Final = (
    MinValueValidator(dt.date(2000, 1, 1)),
    MaxValueValidator(dt.date(2999, 12, 31)),
)
_SHOWN_AT: Final = {
    AccessRecord.What.SETTLEMENT.value: "settlement",
    AccessRecord.What.LOT_ANSWER.value: "lot-answer",
    AccessRecord.What.ACCOUNT.value: "account",
    AccessRecord.What.DELIVERY.value: "delivery",
}


class ReadFilter(filters.FilterSet):
    customer = filters.ModelChoiceFilter(
        queryset=lambda _: Party.objects.exclude(kind=Party.Kind.HOUSE).order_by("name"),
        to_field_name="code",
    )
    person = filters.ModelChoiceFilter(
        field_name="user",
        queryset=lambda _: get_user_model()._default_manager.order_by("username"),
        to_field_name="username",
        label="Person",
    )
    day = filters.DateFilter(
        method="on_day",
        label="Day",
        validators=_DAYS,
        widget=forms.DateInput({"type": "date"}),
    )
    what = filters.ChoiceFilter(choices=AccessRecord.What.choices, label="What was read")
    reference = filters.CharFilter(lookup_expr="iexact", label="Its code")
    link = filters.NumberFilter(
        field_name="link_id", min_value=1, max_value=2**62, label="By the link of number"
    )

    class Meta:
        model = AccessRecord
        fields: list[str] = []

    def on_day(self, records: QuerySet[Any], name: str, value: dt.date) -> QuerySet[Any]:
        begins_at, ends_at = day_bounds(value)
        return records.filter(read_at__gte=begins_at, read_at__lt=ends_at)


@office_page
def read_log(request: HttpRequest) -> HttpResponse:
    return show_list(
        request,
        "reports/read_log.html",
        ReadFilter,
        AccessRecord.objects.select_related("user", "customer", "link__created_by"),
        section="settlements",
        first="customer person day",
        told=lambda page: [(each, _shown_at(each)) for each in page],
    )


def _shown_at(record: AccessRecord) -> str:
    """Where what was read is shown; empty for a list, which is the reader's own."""
    name = _SHOWN_AT.get(record.what)
    return reverse(name, args=[record.reference]) if name else ""
