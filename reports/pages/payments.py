"""Payments: the list, one of them, and the forms that record one and take one back."""

from __future__ import annotations

from typing import Final

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render

from lots.pages.lists import filtered, paged_address
from lots.people.access import role_of, staff_page
from lots.people.roles import OFFICE
from reports.api.lists import PaymentList
from reports.models import Payment
from reports.queries.account_money import exact, what_of

FILTERS_FIRST: Final = ("customer", "currency", "paid_after", "paid_before")
_SHOWN: Final = ("customer", "settlement__lot", "reverses", "reversed_by", "recorded_by")


@staff_page
def payment_list(request: HttpRequest) -> HttpResponse:
    chosen, page = filtered(
        request, PaymentList.filterset_class, Payment.objects.select_related(*_SHOWN)
    )
    return render(
        request,
        "reports/payments.html",
        {
            "section": "settlements",
            "filter": chosen,
            "first_filters": FILTERS_FIRST,
            "page": page,
            "rows": [(each, what_of(each), exact(each.change)) for each in page.object_list],
            "query": paged_address(request),
            "is_office": role_of(request) in OFFICE,
        },
    )


@staff_page
def payment_page(request: HttpRequest, code: str) -> HttpResponse:
    payment = get_object_or_404(Payment.objects.select_related(*_SHOWN), code=code.upper())
    is_open = not payment.is_reversed and payment.reverses is None
    return render(
        request,
        "reports/payment.html",
        {
            "section": "settlements",
            "payment": payment,
            "what": what_of(payment),
            "can_reverse": is_open and role_of(request) in OFFICE,
        },
    )
