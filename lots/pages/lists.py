"""Lists of lots and of movements, narrowed by the API's own filters, a page at a time."""

from __future__ import annotations

from typing import Any, Final

from django.core.paginator import Page, Paginator
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django_filters import FilterSet

from lots.api.filters import LotFilter, MovementFilter
from lots.ledger.holdings import holdings
from lots.models import Lot, Movement
from lots.people.access import staff_page
from lots.services.access_log import tell_lots_of

ROWS_A_PAGE: Final = 50
# What the filter forms show first; the rest is folded away.
LOT_FILTERS_FIRST: Final = ("form", "state", "owner", "place")
MOVEMENT_FILTERS_FIRST: Final = ("kind", "lot", "occurred_after", "occurred_before")


def filtered(
    request: HttpRequest, filter_class: type[FilterSet], rows: QuerySet[Any]
) -> tuple[FilterSet, Page[Any]]:
    """The filter with its form, and the page asked for; a filter that can't be shows nothing."""
    chosen = filter_class(request.GET or None, queryset=rows)
    found = chosen.qs if not chosen.is_bound or chosen.form.is_valid() else rows.none()
    return chosen, Paginator(found, ROWS_A_PAGE).get_page(request.GET.get("page"))


def paged_address(request: HttpRequest) -> str:
    """The query of this address without its page, to go on to another."""
    query = request.GET.copy()
    query.pop("page", None)
    return query.urlencode()


@staff_page
def lot_list(request: HttpRequest) -> HttpResponse:
    lots = Lot.objects.select_related("owner", "place").order_by("-registered_at", "-id")
    chosen, page = filtered(request, LotFilter, lots)
    if page.object_list:
        tell_lots_of(request.GET, request.user, "page")
    held = holdings(page.object_list)
    return render(
        request,
        "lots/lot_list.html",
        {
            "section": "lots",
            "filter": chosen,
            "first_filters": LOT_FILTERS_FIRST,
            "page": page,
            "rows": [(lot, held[lot.pk]) for lot in page.object_list],
            "query": paged_address(request),
        },
    )


@staff_page
def movement_list(request: HttpRequest) -> HttpResponse:
    movements = (
        Movement.objects.select_related("recorded_by", "counterparty", "reverses", "reversed_by")
        .prefetch_related("entries__lot", "entries__account", "standings__lot")
        .order_by("-sequence")
    )
    chosen, page = filtered(request, MovementFilter, movements)
    return render(
        request,
        "lots/movement_list.html",
        {
            "section": "movements",
            "filter": chosen,
            "first_filters": MOVEMENT_FILTERS_FIRST,
            "page": page,
            "rows": [(movement, touched_lots(movement)) for movement in page.object_list],
            "query": paged_address(request),
        },
    )


def touched_lots(movement: Movement) -> list[Lot]:
    """The lots a movement names, each once, from its prefetched lines."""
    lots = {entry.lot.pk: entry.lot for entry in movement.entries.all() if entry.lot}
    lots |= {standing.lot.pk: standing.lot for standing in movement.standings.all()}
    return list(lots.values())
