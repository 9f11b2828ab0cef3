"""Parties, places and balances, as lists and as forms of the office."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django import forms
from django.db.models import Model
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse

from config.menu import links_for
from lots import display
from lots.ledger.recording import Act
from lots.models import Balance, Party, Place
from lots.pages.bench_form import choice_field
from lots.pages.edit_form import EditForm, EditReference
from lots.pages.form_fields import MassField
from lots.people.access import office_page, role_of
from lots.services import reference
from lots.units import ug_to

_CODE = "Letters, digits, hyphens and underscores, such as feed-shelf."


@dataclass(frozen=True)
class Listing:
    """A list of reference data: its headings after the name, and where a row is edited."""

    title: str
    url_name: str
    headings: tuple[str, ...]
    rows: Sequence[tuple[str, bool, str, tuple[str, ...]]]
    add_at: str
    add_label: str


def show_listing(request: HttpRequest, listing: Listing) -> HttpResponse:
    return render(
        request,
        "lots/reference_list.html",
        {
            "section": "bench",
            "listing": listing,
            "kinds": links_for("REFERENCE", role_of(request) or ""),
        },
    )


@office_page
def party_list(request: HttpRequest) -> HttpResponse:
    rows = [
        (
            each.name,
            each.is_active,
            reverse("party-edit", args=[each.code]),
            (each.code, each.get_kind_display(), each.contact),
        )
        for each in Party.objects.order_by("-is_active", "name", "id")
    ]
    headings = ("Code", "Kind", "Contact")
    listing = Listing("Parties", "parties", headings, rows, reverse("party-add"), "Add a party")
    return show_listing(request, listing)


@office_page
def place_list(request: HttpRequest) -> HttpResponse:
    rows = [
        (
            each.name,
            each.is_active,
            reverse("place-edit", args=[each.code]),
            (each.code, each.get_area_display()),
        )
        for each in Place.objects.order_by("-is_active", "name", "id")
    ]
    headings = ("Code", "Area")
    listing = Listing("Places", "places", headings, rows, reverse("place-add"), "Add a place")
    return show_listing(request, listing)


@office_page
def balance_list(request: HttpRequest) -> HttpResponse:
    rows = [
        (
            each.name,
            each.is_active,
            reverse("balance-edit", args=[each.code]),
            (
                each.code,
                display.grams(each.capacity_ug),
                display.grams(each.readability_ug),
                display.grams(each.standard_uncertainty_ug),
                each.calibration_due.isoformat(),
            ),
        )
        for each in Balance.objects.order_by("-is_active", "name", "id")
    ]
    headings = ("Code", "Capacity", "Readability", "± u of a weighing", "Calibration due")
    listing = Listing(
        "Balances", "balances-kept", headings, rows, reverse("balance-add"), "Add a balance"
    )
    return show_listing(request, listing)


def exact_g(mass_ug: int) -> str:
    """Grams to the microgram, so that an edit that leaves a mass alone changes nothing."""
    return f"{ug_to(mass_ug, 'g', 6).normalize():f} g"


class PartyForm(EditForm):
    code = forms.CharField(max_length=24, help_text=_CODE)
    name = forms.CharField(max_length=reference.NAME_MAX)
    kind = choice_field(Party.Kind)
    contact = forms.CharField(max_length=reference.CONTACT_MAX, required=False)


class PlaceForm(EditForm):
    code = forms.CharField(max_length=24, help_text=_CODE)
    name = forms.CharField(max_length=reference.NAME_MAX)
    area = choice_field(Place.Area)


class BalanceForm(EditForm):
    code = forms.CharField(max_length=24, help_text=_CODE)
    name = forms.CharField(max_length=reference.NAME_MAX)
    capacity_ug = MassField(label="Capacity", help_text="With its unit, as in 6.2 kg.")
    readability_ug = MassField(label="Readability", help_text="The last digit, as in 0.1 g.")
    standard_uncertainty_ug = MassField(
        label="Standard uncertainty of one weighing",
        positive=False,
        help_text="From its certificate and its repeatability, as in 0.08 g.",
    )
    calibration_due = forms.DateField(widget=forms.DateInput({"type": "date"}, format="%Y-%m-%d"))
    asked_as = {
        **EditForm.asked_as,
        "capacity": "capacity_ug",
        "readability": "readability_ug",
        "standard_uncertainty": "standard_uncertainty_ug",
    }


class EditParty(EditReference):
    kind = "party"
    title = "Party"
    model = Party
    listed_at = "parties"
    form_class = PartyForm

    def save(self, act: Act, details: dict[str, Any], version: int) -> Model:
        kept = reference.PartyDetails(**details)
        if self.subject is None:
            return reference.create_party(details=kept, act=act)
        return reference.edit_party(party=self.subject, version=version, details=kept, act=act)


class EditPlace(EditReference):
    kind = "place"
    title = "Place"
    model = Place
    listed_at = "places"
    form_class = PlaceForm

    def save(self, act: Act, details: dict[str, Any], version: int) -> Model:
        kept = reference.PlaceDetails(**details)
        if self.subject is None:
            return reference.create_place(details=kept, act=act)
        return reference.edit_place(place=self.subject, version=version, details=kept, act=act)


class EditBalance(EditReference):
    kind = "balance"
    title = "Balance"
    model = Balance
    listed_at = "balances-kept"
    form_class = BalanceForm

    def shown_as(self, row: Any) -> dict[str, Any]:
        masses = ("capacity_ug", "readability_ug", "standard_uncertainty_ug")
        return {**super().shown_as(row), **{name: exact_g(getattr(row, name)) for name in masses}}

    def save(self, act: Act, details: dict[str, Any], version: int) -> Model:
        kept = reference.BalanceDetails(**details)
        if self.subject is None:
            return reference.create_balance(details=kept, act=act)
        return reference.edit_balance(balance=self.subject, version=version, details=kept, act=act)
