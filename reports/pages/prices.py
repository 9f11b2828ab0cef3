"""The works' own table of prices: shown, and entered by form. No price is looked up."""

from __future__ import annotations

from typing import Any, Final

from django import forms
from django.db.models import Model
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse

from lots import clock
from lots.ledger.recording import Act
from lots.metals import Metal
from lots.pages.bench_form import choice_field
from lots.pages.form_fields import FigureField
from lots.pages.lists import filtered, paged_address
from lots.people.access import role_of, staff_page
from lots.people.roles import OFFICE
from reports.api.prices import PriceFilter
from reports.models import MetalPrice
from reports.pages.month_steps import OfficeForm
from reports.pages.office_step import OfficeStep, date_field
from reports.queries.month.periods import local_day
from reports.services.prices import PRICE_DECIMALS, record_price

FILTERS_FIRST: Final = ("metal", "currency", "from_day", "before_day")
LATEST: Final = 12


@staff_page
def price_list(request: HttpRequest) -> HttpResponse:
    prices = MetalPrice.objects.order_by("-from_date", "metal", "id")
    chosen, page = filtered(request, PriceFilter, prices)
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


class PriceForm(OfficeForm):
    metal = choice_field(Metal, initial=Metal.AG)
    price = FigureField(decimals_max=PRICE_DECIMALS, help_text="Of one unit.")
    per_unit = choice_field(MetalPrice.Unit, label="Per", initial=MetalPrice.Unit.OZT)
    currency = forms.CharField(max_length=3, help_text="Three capital letters, as in EUR.")
    from_date = date_field(label="From", help_text="It holds until a later one of this metal.")
    source = forms.CharField(
        max_length=120, required=False, help_text="Where it was read, and which fixing it is."
    )


class RecordPrice(OfficeStep):
    title = "Enter a price"
    lead = "It stays on record as entered: settlements point to it."
    button = "Enter it"
    done = "The price is entered."
    form_class = PriceForm
    template_name = "reports/price_step.html"
    back = ("Prices", "prices")

    def initial(self, request: HttpRequest) -> dict[str, Any]:
        last = MetalPrice.objects.order_by("-pk").first()
        begun = {"currency": last.currency, "per_unit": last.per_unit} if last else {}
        return {**begun, "from_date": local_day(clock.now())}

    def context(self) -> dict[str, Any]:
        return {"prices": MetalPrice.objects.order_by("-from_date", "metal", "id")[:LATEST]}

    def perform(self, act: Act, form: Any) -> Model:
        data = form.cleaned_data
        names = ("metal", "per_unit", "price", "currency", "from_date", "source")
        return record_price(**{name: data[name] for name in names}, act=act)

    def after(self, recorded: Any) -> str:
        return reverse("prices")
