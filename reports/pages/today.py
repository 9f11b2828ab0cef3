"""The first page: what needs a person now, and the holdings at a glance."""

from __future__ import annotations

from contextlib import suppress
from typing import Any, Final

from django.contrib.auth.views import redirect_to_login
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_POST, require_safe

from cells.services.cell_warnings import refresh_warnings, stale_runs
from config.drawing.charts import Bar, BarChart
from config.refusals import RefusalError
from lots import clock
from lots.keeping.backup_folder import kept as backup_kept
from lots.ledger.holdings import NOW
from lots.ledger.recording import Act
from lots.metals import Metal
from lots.models import Person, Place
from lots.people.access import check_staff, role_of, staff_page
from lots.people.roles import MANAGING, OFFICE
from lots.queries.saved_forms import kept_forms
from lots.units import ug_to_g
from reports.queries.attention import attention
from reports.queries.backup_matters import backup_matters, is_old
from reports.queries.cells_now import cells_now
from reports.queries.inventory import Inventory, inventory
from reports.queries.latest_prices import latest_prices
from reports.queries.month.entry_uncertainty import book_uncertainty
from reports.queries.month.figure_uncertainty import uncertain
from reports.queries.month.periods import local_day
from reports.queries.obligations import Obligations, obligations_from
from reports.queries.office_attention import cover_matters, paper_matters
from reports.queries.set_up_list import set_up_list
from reports.queries.to_do import Attention, Urgency, by_stake, gathered

_ADDRESS: Final = {
    "run": "run",
    "warning": "run",
    "quarantine": "lot",
    "excess": "movement",
    "figure": "figure",
    "batch": "batch",
    "assay": "lot",
    "month": "month",
    "question": "question",
    "settlement": "settlement",
    "unsettled": "settle",
}
# So many matters stand open; the others a press away.
FIRST: Final = 3
_WITHOUT_CODE: Final = {
    "bags": "slimes",
    "balance": "balances",
    "cover": "cover",
    "backups": "backups",
}
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
    return render(
        request,
        "reports/today.html",
        {
            "section": "today",
            "now": clock.now(),
            **_matters(owed, role_of(request)),
            "kept": kept_forms(request.user),
            **_backup(),
            "to_set_up": set_up_list() if role_of(request) in OFFICE else [],
            "cells": cells_now(clock.now(), with_estimate=False),
            "positions": held.positions,
            "obligations": [each for each in owed.metals if each.owed_ug],
            "charts": [chart for metal in Metal.values if (chart := _by_area(held, metal))],
            "areas": _areas(held),
            "metals": [position.metal for position in held.positions],
        },
    )


def _backup() -> dict[str, Any]:
    found = backup_kept()
    return {"backup": found, "backup_is_old": is_old(found, clock.now())}


def _matters(owed: Obligations, role: str | None) -> dict[str, Any]:
    """What needs somebody, and whether the cells' warnings are still to be looked at again."""
    now = clock.now()
    found = [*attention(now), *cover_matters(owed)]
    if role in OFFICE:
        found += paper_matters(local_day(now))
    if role in MANAGING:
        found += backup_matters(backup_kept(), now)
    matters, small = gathered(by_stake(found, latest_prices(local_day(now))))
    told = [
        (each, address_of(each), URGENCY_NAMES[each.urgency], _URGENCY_CSS[each.urgency])
        for each in matters
    ]
    return {
        "matters": told[:FIRST],
        "further": told[FIRST:],
        "small": [(each, address_of(each)) for each in small],
        "is_stale": stale_runs(now).exists(),
    }


def look_again(request: HttpRequest) -> HttpResponse:
    """Tries the warning rules on every run not looked at for a while; asked for by Today itself.

    Apart from the page, because reading a page writes nothing.
    """
    return check_staff(request) or _look_again(request)


@require_POST
def _look_again(request: HttpRequest) -> HttpResponse:
    assert request.user.is_authenticated, "only staff come here"
    for run in stale_runs(clock.now()):
        # A run whose books make no anode can't be looked at; its own page says so.
        with suppress(RefusalError):
            refresh_warnings(run=run, act=Act(who=request.user))
    if request.htmx:  # type: ignore[attr-defined]
        # What could not be looked at is not asked for again and again.
        return render(
            request,
            "reports/matters.html",
            {**_matters(obligations_from(inventory()), role_of(request)), "is_stale": False},
        )
    return redirect("today")


@staff_page
def cells_now_page(request: HttpRequest) -> HttpResponse:
    """The cells with what has grown in them: a part of Today, and a page of its own."""
    template = "cell_strip.html" if request.htmx else "cells_now.html"  # type: ignore[attr-defined]
    cells = cells_now(clock.now(), with_estimate=True)
    return render(
        request,
        f"reports/{template}",
        {"section": "today", "cells": cells, "estimated": True},
    )


@staff_page
def holdings_sureness(request: HttpRequest) -> HttpResponse:
    """Each metal on the books with its plus-minus: a part of Today, and a page of its own.

    Reckoned from every entry, so Today asks for it once it stands.
    """
    book = book_uncertainty(NOW)
    figures = [
        (metal, uncertain(book.of_metal(metal)))
        for metal in Metal.values
        if any(held == metal for _, held in book.held)
    ]
    template = "reports/sureness.html" if request.htmx else "reports/sureness_page.html"  # type: ignore[attr-defined]
    return render(request, template, {"section": "today", "figures": figures})


def address_of(matter: Attention) -> str:
    if matter.kind == "papers":
        return f"{reverse('papers')}?keeping={matter.about}"
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
