"""The works' own table of prices: shown, and entered by form. No price is looked up."""

from __future__ import annotations

from typing import Final

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from lots.pages.lists import filtered, paged_address
from lots.people.access import role_of, staff_page
from lots.people.roles import OFFICE
from reports.api.lists import PriceList
from reports.models import MetalPrice

FILTERS_FIRST: Final = ("metal", "currency", "from_day", "before_day")


@staff_page
def price_list(request: HttpRequest) -> HttpResponse:
    prices = MetalPrice.objects.order_by("-from_date", "metal", "id")
    chosen, page = filtered(request, PriceList.filterset_class, prices)
    return render(
        request,
        "reports/prices.html",
        {
            "section": "settlements",
            "filter": chosen,
            "first_filters": FILTERS_FIRST,
            "page": page,
            "query": paged_address(request),
            "is_office": role_of(request) in OFFICE,
        },
    )
