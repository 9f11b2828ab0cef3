"""Lists of lots and of movements, narrowed by the API's own filters, a page at a time."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from django.core.paginator import Paginator
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django_filters import FilterSet

from lots.api.filters import LotFilter
from lots.api.lists import LISTS
from lots.ledger.holdings import Holding, holdings
from lots.models import Lot, Movement
from lots.people.access import View, staff_page
from lots.queries.movement_receipt import touched_lots
from lots.services.access_log import tell_lots_of

ROWS_A_PAGE: Final = 50


def paged_address(request: HttpRequest) -> str:
    """The query of this address without its page, to go on to another."""
    query = request.GET.copy()
    query.pop("page", None)
    return query.urlencode()


def show_list(
    request: HttpRequest,
    template: str,
    by: type[FilterSet],
    rows: QuerySet[Any],
    *,
    section: str,
    first: str = "",
    told: Callable[[Sequence[Any]], Sequence[Any]] = list,
    more: Callable[[FilterSet, Sequence[Any]], Mapping[str, Any]] | None = None,
) -> HttpResponse:
    """A list a page at a time, narrowed by its filter; a filter that can't be shows nothing.

    `first` names the filters that are not folded away; `told` gives a page's `rows` for the
    template, `more` what it shows beside them.
    """
    chosen = by(request.GET or None, queryset=rows)
    found = chosen.qs if not chosen.is_bound or chosen.form.is_valid() else rows.none()
    page = Paginator(found, ROWS_A_PAGE).get_page(request.GET.get("page"))
    shown = list(page.object_list)
    context = {
        "section": section,
        "filter": chosen,
        "first_filters": first.split(),
        "page": page,
        "rows": told(shown),
        "query": paged_address(request),
    }
    beside = more(chosen, shown) if more else {}
    return render(request, template, {**context, **beside})


def list_page(
    template: str,
    view: Any,
    *,
    guard: Callable[[View], View] = staff_page,
    rows: QuerySet[Any] | None = None,
    **kwargs: Any,
) -> View:
    """The page of a list of the API's: its filters, order and, unless told, rows."""
    listed = view.queryset if rows is None else rows

    @guard
    def page(request: HttpRequest) -> HttpResponse:
        ordered = listed.order_by(*view.ordering)
        return show_list(request, template, view.filterset_class, ordered, **kwargs)

    return page


@staff_page
def lot_list(request: HttpRequest) -> HttpResponse:
    def told(lots: Sequence[Lot]) -> list[tuple[Lot, Holding]]:
        if lots:
            tell_lots_of(request.GET, request.user, "page")
        held = holdings(lots)
        return [(lot, held[lot.pk]) for lot in lots]

    lots = Lot.objects.select_related("owner", "place").order_by("-registered_at", "-id")
    template, first = "lots/lot_list.html", "form state owner place"
    return show_list(request, template, LotFilter, lots, section="lots", first=first, told=told)


movement_list = list_page(
    "lots/movement_list.html",
    LISTS["movements"],
    rows=Movement.objects.select_related(
        "recorded_by", "counterparty", "reverses", "reversed_by"
    ).prefetch_related("entries__lot", "entries__account", "standings__lot"),
    section="movements",
    first="kind lot occurred_after occurred_before",
    told=lambda page: [(movement, touched_lots(movement)) for movement in page],
)
