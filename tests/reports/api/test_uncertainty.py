"""Every figure of a report has its interval on demand."""

from __future__ import annotations

import pytest

from reports.queries.inventory import inventory


def test_inventory_rows_have_their_intervals(api, in_june):
    rows = api.get("/api/v1/reports/inventory/uncertainty/").json()["rows"]
    shown = {
        (row["metal"], row["form"], row["owner"], row["place"]): row["figure"]["mass"]["ug"]
        for row in rows
    }
    assert shown == {
        (row.metal, row.form, row.owner, row.place): row.mass_ug for row in inventory().rows
    }
    figure = next(row["figure"] for row in rows if row["figure"]["standard_uncertainty"]["ug"])
    half, u = figure["half_width"]["ug"], figure["standard_uncertainty"]["ug"]
    assert half == pytest.approx(figure["coverage_factor"] * u, abs=figure["coverage_factor"])


def test_a_wider_probability_gives_a_wider_interval(api, in_june):
    address = f"/api/v1/lots/{in_june.pooled.code}/uncertainty/"
    narrow = api.get("/api/v1/reports/months/2026-04/uncertainty/").json()["lines"]
    wide = api.get("/api/v1/reports/months/2026-04/uncertainty/", {"probability": "0.99"}).json()
    for less, more in zip(narrow, wide["lines"], strict=True):
        assert less["line"] == more["line"]
        assert less["figure"]["half_width"]["ug"] <= more["figure"]["half_width"]["ug"]
    assert api.get(address).json()["lot"] == in_june.pooled.code


@pytest.mark.parametrize(
    ("query", "code", "field"),
    [
        ({"probability": "1"}, "max_value", "probability"),
        ({"probability": "NaN"}, "invalid", "probability"),
        ({"probabilty": "0.9"}, "unknown_filter", "probabilty"),
    ],
)
def test_a_probability_that_is_none_is_refused(api, in_june, query, code, field):
    answer = api.get("/api/v1/reports/inventory/uncertainty/", query)
    assert (answer.status_code, answer.json()["code"], answer.json()["field"]) == (400, code, field)
