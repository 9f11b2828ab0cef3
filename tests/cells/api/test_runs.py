"""A run through the API: what must be turned down, with nothing written."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from cells.models import Cell
from tests.builders import row_counts
from tests.cells.conftest import Bench
from tests.refused import check_refusal


@pytest.fixture
def bench(works: SimpleNamespace) -> Bench:
    return Bench(works)


def charge(bench: Bench, **changed: Any) -> dict[str, Any]:
    body = {
        "electrolyte": bench.electrolyte().lot.code if "electrolyte" not in changed else "",
        "takes": [{"lot": bench.granules().code}] if "takes" not in changed else [],
    }
    return body | changed


def test_charging_more_than_a_lot_holds_is_refused(api, bench):
    lot = bench.granules(grams="100")
    body = charge(bench, takes=[{"lot": lot.code, "mass": "101 g"}])
    before = row_counts()
    check_refusal(
        api.post("/api/v1/cells/north/charge/", body), 409, "more_than_there_is", "takes.0.mass"
    )
    assert row_counts() == before


def test_charging_a_lot_to_two_cells_is_refused(api, bench):
    bench.new_cell("south", "south-cell")
    lot = bench.granules()
    takes = [{"lot": lot.code, "mass": "500 g"}]
    first = api.post("/api/v1/cells/north/charge/", charge(bench, takes=takes))
    assert first.status_code == 201, first.content
    body = charge(bench, takes=takes)
    before = row_counts()
    answer = api.post("/api/v1/cells/south/charge/", body)
    assert (answer.status_code, answer.json()["code"]) == (409, "lot_in_another_cell")
    assert row_counts() == before


def test_copper_above_the_cells_limit_needs_an_acknowledgement(api, bench):
    Cell.objects.filter(code="north").update(copper_limit_g_per_l=15)
    body = charge(bench)
    before = row_counts()
    answer = api.post("/api/v1/cells/north/charge/", body)
    assert (answer.status_code, answer.json()["code"]) == (409, "copper_above_limit")
    assert row_counts() == before
    knowing = {**body, "acknowledge_copper": True, "copper_reason": "bled tomorrow"}
    assert api.post("/api/v1/cells/north/charge/", knowing).status_code == 201


def test_harvest_from_a_run_that_never_ran_is_refused(api, bench):
    run = bench.charged()
    body = {
        "weight": {"gross": "10 g", "balance": "bench"},
        "place": "fine-safe",
        "rinse_count": 6,
        "chloride_clear": True,
        "dry": True,
        "declared": {"Ag": "999"},
    }
    before = row_counts()
    answer = api.post(f"/api/v1/runs/{run.code}/harvest/", body)
    assert answer.status_code == 409
    assert answer.json()["code"] == "run_never_ran"
    assert row_counts() == before


@pytest.mark.parametrize(
    ("instruments", "code", "field"),
    [
        ({"current_a": "-1"}, "min_value", "instruments.current_a"),
        ({"current_a": "NaN"}, "invalid", "instruments.current_a"),
        ({"current_a": "1e308"}, "max_digits", "instruments.current_a"),
        ({"current_a": ""}, "invalid", "instruments.current_a"),
        ({}, "required", "instruments.current_a"),
    ],
)
def test_a_bad_reading_is_refused_by_name(api, bench, instruments, code, field):
    run = bench.charged()
    before = row_counts()
    answer = api.post(f"/api/v1/runs/{run.code}/readings/", {"instruments": instruments})
    refused_by = answer.json()
    assert (answer.status_code, refused_by["code"], refused_by["field"]) == (400, code, field)
    assert row_counts() == before


def test_a_cell_is_added_and_edited_on_the_version_seen(api_as, works):
    office = api_as(works.manager)
    body = {
        "code": "south",
        "name": "South",
        "place": "south-cell",
        "bath_volume": "20 L",
        "current_limit_a": "90",
        "fuse_rating_a": "80",
    }
    made = office.post("/api/v1/cells/", body)
    assert (made.status_code, made["ETag"]) == (201, '"1"')
    edit = {"fuse_rating_a": "63"}
    edited = office.patch("/api/v1/cells/south/", edit, headers={"If-Match": "1"})
    assert (edited.status_code, edited.json()["fuse_rating_a"]) == (200, "63.000")
    late = office.patch("/api/v1/cells/south/", edit, headers={"If-Match": "1"})
    check_refusal(late, 409, "version_conflict", "version")
    check_refusal(office.post("/api/v1/cells/", body), 409, "duplicate_code", "code")
    before = row_counts()
    check_refusal(
        office.post("/api/v1/cells/", {**body, "code": "east", "place": "carboys"}),
        400,
        "not_a_cell_place",
        "place",
    )
    assert row_counts() == before
    operator = api_as(works.operator)
    assert operator.post("/api/v1/cells/", body).status_code == 403
