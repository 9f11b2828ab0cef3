"""Lists: filters, ordering, search, pages, and a number of queries that does not grow."""

from __future__ import annotations

from decimal import Decimal

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from lots.measurements.weighings import Weight
from lots.services.receipt import Receipt, receive_lot


@pytest.fixture
def receive(works, act):
    def make(grams, fineness, owner=None, place="feed-shelf", hours=0.0):
        return receive_lot(
            receipt=Receipt(
                party=owner or works.house,
                owner=owner or works.house,
                form="granules",
                place=works.places[place],
                weight=Weight(grams * 1_000_000, 0, works.balance),
                declared={"Ag": Decimal(fineness)},
                description=f"granules of {grams} g",
            ),
            act=act(hours),
        )

    return make


def codes(answer):
    return [each["code"] for each in answer.json()["results"]]


def test_lots_are_filtered_by_owner_place_form_and_content(api, works, receive):
    small = receive(100, 900)
    large = receive(1000, 900, works.brackwater, "quarantine", 1)
    assert codes(api.get("/api/v1/lots/", {"owner": "brackwater"})) == [large.code]
    assert codes(api.get("/api/v1/lots/", {"place": "feed-shelf"})) == [small.code]
    assert codes(api.get("/api/v1/lots/", {"area": "quarantine"})) == [large.code]
    assert codes(api.get("/api/v1/lots/", {"form": "bar"})) == []
    by_content = {"metal": "Ag", "content_g_min": "90", "content_g_max": "90"}
    assert codes(api.get("/api/v1/lots/", by_content)) == [small.code]
    assert codes(api.get("/api/v1/lots/", {"metal": "Au"})) == []
    assert codes(api.get("/api/v1/lots/", {"search": "of 1000"})) == [large.code]
    assert codes(api.get("/api/v1/lots/", {"registered_after": "2026-05-04T09:30:00Z"})) == [
        large.code
    ]
    assert codes(api.get("/api/v1/lots/", {"ordering": "code"})) == [small.code, large.code]


@pytest.mark.parametrize(
    ("query", "code", "field"),
    [
        ({"ownr": "x"}, "unknown_filter", "ownr"),
        ({"ordering": "owner__name"}, "unknown_ordering", "ordering"),
        ({"form": "soup"}, "invalid_choice", "form"),
        ({"owner": "nobody"}, "invalid_choice", "owner"),
        ({"content_g_min": "NaN"}, "invalid", "content_g_min"),
        ({"registered_after": "soon"}, "invalid", "registered_after"),
    ],
)
def test_a_filter_that_means_nothing_is_refused(api, works, query, code, field):
    answer = api.get("/api/v1/lots/", query)
    assert (answer.status_code, answer.json()["code"], answer.json()["field"]) == (400, code, field)


LISTS = [
    "lots",
    "movements",
    "weighings",
    "volume-readings",
    "assays",
    "process-batches",
    "excesses",
    "documents",
    "parties",
    "places",
    "balances",
]


@pytest.mark.parametrize("name", LISTS)
def test_a_list_takes_as_many_queries_for_many_rows_as_for_few(api, works, receive, name):
    def queries():
        with CaptureQueriesContext(
            connection,
        ) as captured:
            assert api.get(f"/api/v1/{name}/").status_code == 200
        return len(captured)

    receive(100, 900, works.brackwater)
    few = queries()
    for hours in range(1, 8):
        receive(100 + hours, 900, works.pellow, hours=hours / 10)
    assert queries() == few


def test_pages_can_be_sized(api, works, receive):
    for hours in range(3):
        receive(100, 900, hours=hours / 10)
    answer = api.get("/api/v1/lots/", {"page_size": 2}).json()
    assert (answer["count"], len(answer["results"])) == (3, 2)
    assert api.get("/api/v1/lots/", {"page": 9}).json()["code"] == "not_found"
