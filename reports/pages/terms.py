"""Customers' terms: who has which, their versions, and the form that writes down the next one."""

from __future__ import annotations

from django.db.models import Count
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from lots import clock
from lots.models import Party
from lots.people.access import staff_page
from reports.models import ContractTerms
from reports.queries.month.periods import local_day
from reports.services.terms import customer_of_terms
from reports.terms import parse_terms
from reports.terms_lines import term_changes, term_lines


@staff_page
def terms_list(request: HttpRequest) -> HttpResponse:
    """Every customer, with what holds for a lot that came in today."""
    today = local_day(clock.now())
    in_force: dict[int, dict[str, ContractTerms]] = {}
    versions = ContractTerms.objects.filter(valid_from__lte=today).order_by("valid_from", "number")
    for each in versions:
        in_force.setdefault(each.customer_id, {})[each.form] = each
    customers = Party.objects.filter(kind=Party.Kind.CUSTOMER)
    return render(
        request,
        "reports/terms_list.html",
        {
            "section": "settlements",
            "customers": [
                (
                    customer,
                    [
                        (each, parse_terms(each.content))
                        for each in in_force.get(customer.pk, {}).values()
                    ],
                )
                for customer in customers.order_by("name")
            ],
        },
    )


@staff_page
def customer_terms(request: HttpRequest, code: str) -> HttpResponse:
    """Every version, the latest first, with what it changed."""
    customer = customer_of_terms(code)
    versions = (
        ContractTerms.objects.filter(customer=customer)
        .select_related("recorded_by")
        .annotate(used=Count("settlements"))
        .order_by("form", "number")
    )
    shown = []
    before: dict[str, ContractTerms] = {}
    for each in versions:
        terms, earlier = parse_terms(each.content), before.get(each.form)
        was = parse_terms(earlier.content) if earlier else None
        changes = term_changes(was, terms) if was else ()
        shown.append((each, term_lines(terms), changes))
        before[each.form] = each
    return render(
        request,
        "reports/terms.html",
        {
            "section": "settlements",
            "customer": customer,
            "versions": shown[::-1],
        },
    )
