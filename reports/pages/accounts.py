"""A customer's account for a month, and what was lost where over the months."""

from __future__ import annotations

import datetime as dt
from typing import Final

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render

from config.drawing.charts import Bar, BarChart
from config.refusals import RefusalError
from lots import clock
from lots.metals import Metal
from lots.models import Party, Person
from lots.people.access import party_looking, role_here, signed_in_page, staff_page
from lots.queries.works_zone import next_month
from lots.units import ug_to_g
from reports import conventions
from reports.models import AccessRecord
from reports.pages.access_log import note_page
from reports.queries.account_statement import account_statement
from reports.queries.month.losses import LossReport, losses
from reports.queries.month.periods import (
    Period,
    local_day,
    month_period,
    month_periods,
    parse_month,
)
from reports.queries.obligations import obligations, owed_by_customer

MONTHS_BACK: Final = 12


def _asked_month(request: HttpRequest) -> Period:
    text = request.GET.get("month", "")
    if not text:
        return month_period(local_day(clock.now()))
    try:
        return parse_month(text)
    except RefusalError as refusal:
        raise Http404 from refusal


@signed_in_page
def account_page(request: HttpRequest, code: str) -> HttpResponse:
    """Staff see any customer's account, customers their own."""
    role = role_here(request)
    customers = Party.objects.exclude(kind=Party.Kind.HOUSE)
    if role == Person.Role.CUSTOMER:
        own = party_looking(request)
        customers = customers.filter(pk=own.pk if own else 0)
    customer = get_object_or_404(customers, code=code)
    note_page(request, customer, AccessRecord.What.ACCOUNT, customer.code)
    period = _asked_month(request)
    return render(
        request,
        "reports/account.html",
        {
            "customer": customer,
            "period": period,
            "last_day": next_month(period.first_day) - dt.timedelta(days=1),
            "after": f"{next_month(period.first_day):%Y-%m}",
            "is_over": period.ends_at <= clock.now(),
            "before": f"{period.first_day - dt.timedelta(days=1):%Y-%m}",
            "account": account_statement(
                customer, period.starts_at, period.ends_at, is_theirs=role == Person.Role.CUSTOMER
            ),
        },
    )


@staff_page
def cover_page(request: HttpRequest) -> HttpResponse:
    """What is owed to customers against what is held, and who is owed what."""
    owed, customers = obligations(), owed_by_customer()
    named = {metal for _, metals in customers for metal in metals}
    return render(
        request,
        "reports/cover.html",
        {
            "section": "settlements",
            "obligations": owed.metals,
            "note": owed.note,
            "customers": customers,
            "metals": [metal for metal in Metal.values if metal in named],
        },
    )


@staff_page
def losses_page(request: HttpRequest) -> HttpResponse:
    """The last twelve months together, and month by month."""
    today = local_day(clock.now())
    back = today.replace(day=1) - dt.timedelta(days=30 * (MONTHS_BACK - 1))
    first, last = month_periods([back, today])
    report = losses(first.starts_at, last.ends_at)
    wanted = request.GET.get("metal", Metal.AG)
    metal = wanted if wanted in Metal.values else Metal.AG.value
    return render(
        request,
        "reports/losses.html",
        {
            "section": "months",
            "report": report,
            "metals": Metal.values,
            "metal": metal,
            "chart": _by_stage(report, metal),
            "first": first,
            "last": last,
            "conventions": (
                conventions.SIGN_CONVENTION,
                conventions.STAGE_THROUGHPUT,
                conventions.PERCENT_RULE,
            ),
        },
    )


def _by_stage(report: LossReport, metal: str) -> BarChart | None:
    bars = [
        Bar(each.stage_name, float(ug_to_g(each.mass_ug)), accent=metal)
        for each in report.by_stage()
        if each.metal == metal
    ]
    if not bars:
        return None
    return BarChart(f"{Metal(metal).label} gone from the books, by stage", "grams", bars)
