"""The cells with what they may carry, as a list and as a form of the office."""

from __future__ import annotations

from decimal import Decimal
from typing import Any, Final

from django import forms
from django.db.models import Model
from django.http import HttpRequest, HttpResponse
from django.urls import reverse

from cells.models import Cell
from cells.services.cell_reference import NAME_MAX, CellDetails, create_cell, edit_cell
from lots import display
from lots.ledger.recording import Act
from lots.models import Place
from lots.pages.edit_form import EditForm, EditReference
from lots.pages.form_fields import FigureField, MassField, VolumeField
from lots.pages.reference import Listing, exact_g, show_listing
from lots.people.access import office_page

# What a new cell begins with; the works sets its own.
_DEFAULTS: Final = {
    name: getattr(CellDetails, name)
    for name in (
        "copper_limit_g_per_l",
        "silver_min_g_per_l",
        "palladium_limit_g_per_l",
        "evaporation_ml_per_h",
        "ammeter_gain_u",
        "ammeter_reading_u_a",
        "ammeter_zero_u_a",
    )
}


@office_page
def cell_reference_list(request: HttpRequest) -> HttpResponse:
    rows = [
        (
            each.name,
            each.is_active,
            reverse("cell-edit", args=[each.code]),
            (
                each.code,
                str(each.place),
                display.litres(each.bath_volume_ul),
                f"{each.copper_limit_g_per_l.normalize():f} g/L",
                f"{each.silver_min_g_per_l.normalize():f} g/L",
                f"{each.current_limit_a.normalize():f} A",
            ),
        )
        for each in Cell.objects.select_related("place").order_by("-is_active", "name", "id")
    ]
    headings = ("Code", "Place", "Bath", "Most copper", "Least silver", "Most current")
    listing = Listing("Cells", "cells-kept", headings, rows, reverse("cell-add"), "Add a cell")
    return show_listing(request, listing)


def _figure(label: str, decimals: int = 3, **kwargs: Any) -> FigureField:
    return FigureField(label=label, decimals_max=decimals, **kwargs)


class CellForm(EditForm):
    code = forms.CharField(max_length=24, help_text="A short code such as north.")
    name = forms.CharField(max_length=NAME_MAX)
    place = forms.ModelChoiceField(Place.objects.filter(area=Place.Area.CELL))
    bath_volume_ul = VolumeField(label="Volume of the bath")
    copper_limit_g_per_l = _figure("Most copper, g/L")
    silver_min_g_per_l = _figure("Least silver, g/L")
    palladium_limit_g_per_l = _figure("Most palladium, g/L")
    current_limit_a = _figure("Most current, A")
    fuse_rating_a = _figure("Fuse, A")
    lead_rating_a = _figure("What the leads carry, A", required=False)
    cathode_cm2 = _figure("Cathode, cm²", 2, required=False)
    clearance_mm = _figure(
        "From the bare cathode to the basket, mm",
        2,
        required=False,
        help_text="What crystal may grow to.",
    )
    basket_ug_max = MassField(label="The most the basket takes", required=False)
    evaporation_ml_per_h = _figure("Water lost in use, ml/h")
    ammeter_gain_u = _figure(
        "Ammeter, relative standard uncertainty common to its readings",
        5,
        maximum=Decimal(9),
        help_text="As in 0.01 for one per cent.",
    )
    ammeter_reading_u_a = _figure("Ammeter, standard uncertainty of one reading, A", 4)
    ammeter_zero_u_a = _figure("Ammeter, standard uncertainty of its zero, A", 4)
    ammeter_calibration_due = forms.DateField(
        required=False, widget=forms.DateInput({"type": "date"}, format="%Y-%m-%d")
    )


class EditCell(EditReference):
    kind = "cell"
    title = "Cell"
    model = Cell
    listed_at = "cells-kept"
    form_class = CellForm

    def initial(self, request: HttpRequest) -> dict[str, Any]:
        return dict(_DEFAULTS) if self.subject is None else self.shown_as(self.subject)

    def shown_as(self, row: Any) -> dict[str, Any]:
        shown_row = super().shown_as(row)
        for name, value in shown_row.items():
            if isinstance(value, Decimal):
                shown_row[name] = f"{value.normalize():f}"
        basket = row.basket_ug_max
        shown_row["bath_volume_ul"] = f"{Decimal(row.bath_volume_ul).scaleb(-6).normalize():f} l"
        shown_row["basket_ug_max"] = "" if basket is None else exact_g(basket)
        return shown_row

    def save(self, act: Act, details: dict[str, Any], version: int) -> Model:
        kept = CellDetails(**details)
        if self.subject is None:
            return create_cell(details=kept, act=act)
        return edit_cell(cell=self.subject, version=version, details=kept, act=act)
