"""The cells with what they may carry, as a list and as a form of the office."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django.db.models import Model
from django.http import HttpRequest, HttpResponse
from django.urls import reverse

from cells.models import Cell
from cells.services.cell_reference import CellDetails, create_cell, edit_cell
from lots import display
from lots.ledger.recording import Act
from lots.pages.edit_form import EditReference, form_of
from lots.pages.reference import Listing, exact_g, show_listing
from lots.people.access import office_page


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


class EditCell(EditReference):
    kind = "cell"
    title = "Cell"
    model = Cell
    listed_at = "cells-kept"
    form_class = form_of(CellDetails)

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
