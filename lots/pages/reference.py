"""Parties, places and balances, as lists and as forms of the office."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar, Final

from django.db.models import Model
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import URLPattern, path, reverse, reverse_lazy

from config.menu import links_for
from lots import display
from lots.ledger.recording import Act
from lots.pages.edit_form import EditForm, EditReference, form_of
from lots.people.access import office_page, role_of
from lots.services.reference import BALANCE, PARTY, PLACE, Kept
from lots.units import ug_to


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


def exact_g(mass_ug: int) -> str:
    """Grams to the microgram, so that an edit that leaves a mass alone changes nothing."""
    return f"{ug_to(mass_ug, 'g', 6).normalize():f} g"


class EditKept(EditReference):
    reference: ClassVar[Kept]

    def shown_as(self, row: Any) -> dict[str, Any]:
        shown = super().shown_as(row)
        masses = {
            name: "" if mass is None else exact_g(mass)
            for name, mass in shown.items()
            if name.endswith("_ug")
        }
        return {**shown, **masses}

    def save(self, act: Act, details: dict[str, Any], version: int) -> Model:
        recorded: Model = self.reference.save(self.subject, version, details, act)
        return recorded


def _pages(
    kept: Kept,
    plural: str,
    url_name: str,
    shown: Mapping[str, Callable[[Any], str]],
    form: type[EditForm] | None = None,
) -> list[URLPattern]:
    """The list of a kind of reference data, and its form; `shown` is what the list says of each."""
    kind, at = kept.kind, f"reference/{plural.lower()}/"

    @office_page
    def listing(request: HttpRequest) -> HttpResponse:
        rows = [
            (
                each.name,
                each.is_active,
                reverse(f"{kind}-edit", args=[each.code]),
                (each.code, *(say(each) for say in shown.values())),
            )
            for each in kept.model.objects.order_by("-is_active", "name", "id")
        ]
        add = (reverse(f"{kind}-add"), f"Add a {kind}")
        return show_listing(request, Listing(plural, url_name, ("Code", *shown), rows, *add))

    members = {
        "reference": kept,
        "kind": kind,
        "title": kind.capitalize(),
        "model": kept.model,
        "listed_at": url_name,
        "form_class": form or form_of(kept.details),
    }
    edit: Any = type(f"Edit{kept.model.__name__}", (EditKept,), members)
    return [
        path(at, listing, name=url_name),
        path(f"{at}add/", edit.as_view(), name=f"{kind}-add"),
        path(f"{at}of/<str:code>/", edit.as_view(), name=f"{kind}-edit"),
    ]


def _by_last_digit() -> type[EditForm]:
    """A scale's form, which says below its last digit what follows from it."""
    form = form_of(BALANCE.details)
    digit = form.base_fields["readability_ug"]
    digit.widget.attrs |= {"hx-get": reverse_lazy("scale-rule"), "placeholder": "0.1 g"}
    return form


PATHS: Final = [
    *_pages(
        PARTY,
        "Parties",
        "parties",
        {"Kind": lambda each: each.get_kind_display(), "Contact": lambda each: each.contact},
    ),
    *_pages(PLACE, "Places", "places", {"Area": lambda each: each.get_area_display()}),
    *_pages(
        BALANCE,
        "Balances",
        "balances-kept",
        {
            "Capacity": lambda each: (
                "not known" if each.capacity_ug is None else display.grams(each.capacity_ug)
            ),
            "Readability": lambda each: display.grams(each.readability_ug),
            "± u of a weighing": lambda each: (
                display.grams(each.standard_uncertainty_ug)
                + (", supposed from the last digit" if each.uncertainty_is_supposed else "")
            ),
            "Calibration due": lambda each: (
                each.calibration_due.isoformat() if each.calibration_due else "not known"
            ),
        },
        _by_last_digit(),
    ),
]
