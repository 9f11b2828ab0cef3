"""Payments: the list, one of them, and the forms that record one and take one back."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render

from lots.pages.lists import list_page
from lots.people.access import role_of, staff_page
from lots.people.roles import OFFICE
from reports.api.lists import LISTS
from reports.models import Payment
from reports.queries.account_money import exact, what_of

payment_list = list_page(
    "reports/payments.html",
    LISTS["payments"],
    section="settlements",
    first="customer currency paid_after paid_before",
    told=lambda page: [(each, what_of(each), exact(each.change)) for each in page],
)


@staff_page
def payment_page(request: HttpRequest, code: str) -> HttpResponse:
    payments = Payment.objects.select_related(
        "customer", "settlement__lot", "reverses", "reversed_by", "recorded_by"
    )
    payment = get_object_or_404(payments, code=code.upper())
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
