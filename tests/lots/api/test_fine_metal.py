"""Fine metal on its way out by REST calls: listed, graded, delivered."""

from __future__ import annotations

import pytest

from lots.measurements.assays import record_assay
from lots.measurements.weighings import Weight, record_weighing
from lots.models import BarRecord, DeliveryNote, ImpurityAnalysis

G = 1_000_000


@pytest.fixture
def bar(works, act, received, report):
    """A kilobar with its weighing and its assay."""
    lot = received(1000, owner=works.house, form="bar", declared={"Au": "999.9"})
    lot.found = record_assay(lot=lot, report=report({"Au": "999.93"}, u="0.02"), act=act(0.5))
    lot.weighed = record_weighing(
        lot=lot, weight=Weight(1000 * G, 0, works.balance), purpose="output", act=act(0.5)
    )
    return lot


def listing(bar, **changed):
    entry = {
        "mark": "TQ 7",
        "metal": "Au",
        "weighing": bar.weighed.pk,
        "assay": bar.found.pk,
        "stamped": "999.9",
        "small_bar": "1 kg",
    }
    return entry | changed


def test_a_bar_is_listed_found_and_struck_out(api, bar):
    answer = api.post(f"/api/v1/lots/{bar.code}/bar/", listing(bar))
    assert answer.status_code == 201, answer.content
    assert (answer.json()["gross_ozt"], answer.json()["fine_ozt"]) == ("32.150000", "32.148000")
    assert answer.json()["fine_rule"] == "agreed table: small gold bars, London"
    assert api.get("/api/v1/bars/", {"struck": "false", "metal": "Au"}).json()["count"] == 1
    struck = api.post(f"/api/v1/bars/{answer.json()['id']}/strike/", {"reason": "wrong mark"})
    assert struck.json()["struck_reason"] == "wrong mark"
    assert api.get("/api/v1/bars/", {"struck": "false"}).json()["count"] == 0
    assert api.get("/api/v1/bars/", {"struck": "true"}).json()["count"] == 1


def test_the_parties_own_rounding_is_taken_and_named(api, bar):
    rules = {"direction": "half up", "step": "0.01"}
    entry = listing(bar, small_bar="", gross_rule=rules, fine_rule=rules)
    answer = api.post(f"/api/v1/lots/{bar.code}/bar/", entry).json()
    # 1000 g / 31.1034768 g = 32.1507... ozt.
    assert (answer["gross_ozt"], answer["fine_ozt"]) == ("32.150000", "32.150000")
    assert answer["gross_rule"] == "rounded half up to 0.01 ozt, agreed between the parties"


@pytest.mark.parametrize(
    ("changed", "status", "code", "field"),
    [
        ({"small_bar": "2 kg"}, 400, "bar_not_in_table", "small_bar"),
        ({"mark": ""}, 400, "empty", "mark"),
        ({"stamped": "a lot"}, 400, "not_a_number", "stamped"),
        ({"fine_rule": {"direction": "down", "step": "0"}}, 400, "too_small", "fine_rule.step"),
        ({"weight": "1 kg"}, 400, "unknown_field", "weight"),
    ],
)
def test_a_listing_that_cannot_be_is_refused(api, bar, changed, status, code, field):
    answer = api.post(f"/api/v1/lots/{bar.code}/bar/", listing(bar, **changed))
    assert (answer.status_code, answer.json()["code"], answer.json()["field"]) == (
        status,
        code,
        field,
    )
    assert not BarRecord.objects.exists()


def test_silver_is_graded_by_its_analysis(api, works, received):
    lot = received(500, owner=works.house, form="fine_crystal", declared={"Ag": "999.9"})
    address = f"/api/v1/lots/{lot.code}"
    missing = api.get(f"{address}/grade/")
    assert (missing.status_code, missing.json()["code"]) == (404, "not_analysed")
    contents = {"Ag": "999.93", "Cu": "0.03"}
    body = {"laboratory": "quay-lab", "contents": contents, "certificate": "QL 1"}
    assert api.post(f"{address}/impurities/", body).json()["contents"] == contents
    grade = api.get(f"{address}/grade/").json()
    assert (grade["grade"], grade["unmeasured"]) == ("99.99", ["Pb", "Fe", "Bi", "Pd", "Se", "Te"])
    assert "confirm them against the standard" in grade["note"]
    refused = api.post(f"{address}/impurities/", {**body, "contents": {"Ag": "1001"}})
    assert (refused.json()["code"], refused.json()["field"]) == (
        "fineness_out_of_range",
        "contents.Ag",
    )
    assert ImpurityAnalysis.objects.count() == 1


def test_lots_are_delivered_under_one_note_once(api, works, bar, received):
    other = received(200, owner=works.house)
    body = {
        "kind": "shipment",
        "party": "pellow-dane",
        "lots": [
            {"lot": bar.code, "weight": {"gross": "1000 g", "balance": "bench"}},
            {"lot": other.code},
        ],
        "carrier": "Carrier's van (invented)",
    }
    headers = {"Idempotency-Key": "note-1"}
    first = api.post("/api/v1/delivery-notes/deliver/", body, headers=headers)
    assert first.status_code == 201, first.content
    assert first.json()["lots"] == [bar.code, other.code]
    assert first.json()["cautions"]
    assert api.post("/api/v1/delivery-notes/deliver/", body, headers=headers).json() == first.json()
    assert api.get("/api/v1/delivery-notes/", {"lot": bar.code}).json()["count"] == 1
    again = api.post("/api/v1/delivery-notes/deliver/", body)
    assert (again.status_code, again.json()["field"]) == (409, "lots.0")
    assert DeliveryNote.objects.count() == 1
