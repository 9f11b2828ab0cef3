"""The first page: what needs a person now, and the holdings at a glance."""

from __future__ import annotations

from typing import Final

from django.contrib.auth.views import redirect_to_login
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_safe

from config.charts import Bar, BarChart
from lots import clock
from lots.metals import Metal
from lots.models import Person, Place
from lots.pages.access import check_staff, role_of
from lots.queries.kept_forms import kept_forms
from lots.units import ug_to_g
from reports.queries.attention import attention
from reports.queries.inventory import Inventory, inventory
from reports.queries.matters import Attention, Urgency
from reports.queries.obligations import obligations_from
from reports.queries.office_attention import cover_matters

_ADDRESS: Final = {
    "run": "run",
    "warning": "run",
    "quarantine": "lot",
    "excess": "movement",
    "batch": "batch",
    "assay": "lot",
    "month": "month",
    "question": "question",
    "settlement": "settlement",
    "unsettled": "settle",
}
_WITHOUT_CODE: Final = {"bags": "slimes", "balance": "balances", "cover": "cover"}
URGENCY_NAMES: Final = {Urgency.NOW: "now", Urgency.TODAY: "today", Urgency.SOON: "soon"}
_URGENCY_CSS: Final = {Urgency.NOW: "bad", Urgency.TODAY: "mind", Urgency.SOON: ""}


@require_safe
def today_page(request: HttpRequest) -> HttpResponse:
    if not request.user.is_authenticated:
        return redirect_to_login(request.get_full_path())
    if role_of(request) == Person.Role.CUSTOMER:
        return redirect("my-lots")
    check_staff(request)
    held = inventory()
    owed = obligations_from(held)
    matters = sorted([*attention(clock.now()), *cover_matters(owed)], key=lambda each: each.urgency)
    return render(
        request,
        "reports/today.html",
        {
            "section": "today",
            "now": clock.now(),
            "matters": [
                (each, address_of(each), URGENCY_NAMES[each.urgency], _URGENCY_CSS[each.urgency])
                for each in matters
            ],
            "kept": kept_forms(request.user),
            "positions": held.positions,
            "obligations": [each for each in owed.metals if each.owed_ug],
            "charts": [chart for metal in Metal.values if (chart := _by_area(held, metal))],
            "areas": _areas(held),
            "metals": [position.metal for position in held.positions],
        },
    )


def address_of(matter: Attention) -> str:
    if matter.kind in _WITHOUT_CODE:
        return reverse(_WITHOUT_CODE[matter.kind])
    return reverse(_ADDRESS[matter.kind], args=[matter.about])


def _area_sums(held: Inventory, metal: str) -> dict[str, int]:
    sums: dict[str, int] = {}
    for row in held.rows:
        if row.metal == metal:
            sums[row.area] = sums.get(row.area, 0) + row.mass_ug
    return sums


def _by_area(held: Inventory, metal: str) -> BarChart | None:
    """One metal by the areas of the works; small holdings are not worth a chart."""
    sums = _area_sums(held, metal)
    if len(sums) < 2:
        return None
    ordered = [(area, sums[area]) for area in Place.Area.values if area in sums]
    bars = [
        Bar(str(Place.Area(area).label), float(ug_to_g(mass_ug)), accent=metal)
        for area, mass_ug in ordered
    ]
    return BarChart(f"{Metal(metal).label} by where it is", "grams", bars)


def _areas(held: Inventory) -> list[tuple[str, str, dict[str, int]]]:
    """Each area that holds anything, with its masses by metal."""
    by_metal = {metal: _area_sums(held, metal) for metal in Metal.values}
    return [
        (area, str(Place.Area(area).label), found)
        for area in Place.Area.values
        if (found := {m: sums[area] for m, sums in by_metal.items() if sums.get(area)})
    ]
