"""Every list of the API: filters, ordering, pages, search, and queries that do not grow."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import URLPattern, URLResolver, get_resolver
from rest_framework.mixins import ListModelMixin

from cells.models import SlimesBag
from reports.api.lots import LotSheets

# Lists of which the busy works has at least two rows.
FILLED = {
    "access-records",
    "assays",
    "balances",
    "bars",
    "cell-warnings",
    "cells",
    "count-adjustments",
    "count-sheets",
    "delivery-notes",
    "documents",
    "electrolyte-readings",
    "electrolytes",
    "harvests",
    "impurity-analyses",
    "lots",
    "months",
    "movements",
    "parties",
    "places",
    "prices",
    "process-batches",
    "recovery-outcomes",
    "reports/losses/movements",
    "reports/lot-sheets",
    "run-readings",
    "runs",
    "settlement-questions",
    "settlements",
    "shared-links",
    "slimes-bags",
    "terms",
    "volume-readings",
    "weighings",
}


def patterns(
    resolver: URLResolver | None = None, before: str = ""
) -> Iterator[tuple[str, Any, dict[str, str]]]:
    """Every address of the API, the view behind it and what its methods do."""
    for each in (resolver or get_resolver()).url_patterns:
        address = before + str(each.pattern).lstrip("^").rstrip("$").replace("\\Z", "")
        if isinstance(each, URLResolver):
            yield from patterns(each, address)
        elif isinstance(each, URLPattern) and address.startswith("api/v1/"):
            view = getattr(each.callback, "cls", None) or getattr(
                each.callback, "view_class", each.callback
            )
            yield address, view, getattr(each.callback, "actions", None) or {}


def lists() -> list[str]:
    """The addresses of every list."""
    found = []
    for address, view, actions in patterns():
        is_list = actions.get("get") == "list" or view is LotSheets
        is_list |= not actions and isinstance(view, type) and issubclass(view, ListModelMixin)
        if is_list and "format" not in address:
            found.append(address)
    return sorted(set(found))


LISTS = lists()


def test_the_lists_are_all_found():
    assert {f"api/v1/{name}/" for name in FILLED | {"excesses"}} <= set(LISTS)


@pytest.mark.parametrize(
    ("query", "code"),
    [({"ownr": "x"}, "unknown_filter"), ({"ordering": "password"}, "unknown_ordering")],
)
def test_a_parameter_that_means_nothing_is_refused(api_as, works, query, code):
    office = api_as(works.manager)
    for address in LISTS:
        answer = office.get(f"/{address}", query)
        problem = answer.json()
        refused = (answer.status_code, problem["code"], problem["field"])
        assert refused == (400, code, *query), address


@pytest.fixture
def pages(api_as, busy):
    """Gets a page of a list as the office, to whom every list is open."""
    office = api_as(busy.works.manager)

    def get(address: str, **query: Any) -> Any:
        answer = office.get(f"/{address}", {**span(address), **query})
        assert answer.status_code == 200, answer.content
        return answer.json()

    return get


def span(address: str) -> dict[str, str]:
    is_by_month = address.endswith("losses/movements/")
    return {"from_month": "2026-04", "to_month": "2026-06"} if is_by_month else {}


def test_every_list_is_paged_searched_and_takes_no_more_queries_for_more_rows(pages):
    for address in LISTS:
        name = address.removeprefix("api/v1/").rstrip("/")
        whole = pages(address, page_size=500)
        assert whole["count"] == len(whole["results"]), name
        assert whole["count"] >= 2 or name not in FILLED, name
        half = max(1, whole["count"] // 2)
        with CaptureQueriesContext(connection) as few:
            first = pages(address, page_size=half)
        with CaptureQueriesContext(connection) as many:
            pages(address, page_size=500)
        assert len(many) == len(few), name
        assert first["results"] == whole["results"][:half], name
        assert pages(address, search="no such thing at all")["count"] == 0, name


def test_every_ordering_offered_works_both_ways(pages):
    views = {address: view for address, view, _ in patterns()}
    for address in LISTS:
        for field in getattr(views[address], "ordering_fields", ()):
            up = pages(address, ordering=field, page_size=500)["results"]
            down = pages(address, ordering=f"-{field}", page_size=500)["results"]
            assert len(up) == len(down), (address, field)


def test_a_slimes_bag_is_found_by_metal_and_state(pages, busy):
    bags = pages("api/v1/slimes-bags/", state="recovered", metal="Au")
    assert bags["count"] == SlimesBag.objects.count() == 2
    assert pages("api/v1/slimes-bags/", state="waiting")["count"] == 0
