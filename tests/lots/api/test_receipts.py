"""Receiving through the API: the plain day, then everything that must be turned down."""

from __future__ import annotations

import json

import pytest

from lots.models import Entry, Lot, Movement, RecordedRequest, Weighing

URL = "/api/v1/receipts/"


@pytest.fixture
def body(works):
    return {
        "party": "brackwater",
        "owner": "brackwater",
        "form": "granules",
        "place": "feed-shelf",
        "weight": {"gross": "1 302.4 g", "tare": {"value": "2.4", "unit": "g"}, "balance": "bench"},
        "declared": {"Ag": "925", "Cu": 75},
        "occurred_at": "2026-05-04T10:00:00Z",
    }


def counts():
    return [model.objects.count() for model in (Lot, Movement, Entry, Weighing, RecordedRequest)]


def test_receipt_puts_a_lot_on_the_books(api, body):
    answer = api.post(URL, body)
    assert answer.status_code == 201
    assert answer.data["metals"]["Ag"] == {
        "ug": 1_202_500_000,
        "g": "1202.500000",
        "ozt": "38.661273",
    }
    assert answer.data["mass"]["g"] == "1300.000000"
    assert answer.data["content"] == "declared"
    listed = api.get("/api/v1/lots/", {"owner": "brackwater"}).json()
    assert [each["code"] for each in listed["results"]] == [answer.data["code"]]


def test_receipt_sent_twice_is_recorded_once_and_answered_alike(api, body):
    first = api.post(URL, body, headers={"Idempotency-Key": "door-1"})
    second = api.post(URL, body, headers={"Idempotency-Key": "door-1"})
    assert first.status_code == second.status_code == 201
    assert first.json() == second.json()
    assert Lot.objects.count() == 1


def test_same_key_with_another_body_is_refused(api, body):
    api.post(URL, body, headers={"Idempotency-Key": "door-1"})
    before = counts()
    answer = api.post(
        URL, {**body, "description": "another"}, headers={"Idempotency-Key": "door-1"}
    )
    assert (answer.status_code, answer.json()["code"]) == (409, "idempotency_key_reused")
    assert counts() == before


BAD = [
    ({"weight": {"gross": "-5 g", "balance": "bench"}}, "weight.gross", "not_positive"),
    ({"weight": {"gross": "0 g", "balance": "bench"}}, "weight.gross", "not_positive"),
    (
        {"weight": {"gross": "10 g", "tare": "12 g", "balance": "bench"}},
        "weight.tare",
        "tare_above_gross",
    ),
    ({"weight": {"gross": "10 stone", "balance": "bench"}}, "weight.gross", "unknown_unit"),
    ({"weight": {"gross": "10 oz", "balance": "bench"}}, "weight.gross", "ambiguous_unit"),
    ({"weight": {"gross": "NaN g", "balance": "bench"}}, "weight.gross", "not_a_number"),
    ({"weight": {"gross": "inf g", "balance": "bench"}}, "weight.gross", "not_a_number"),
    ({"weight": {"gross": "1e308 g", "balance": "bench"}}, "weight.gross", "not_a_number"),
    (
        {"weight": {"gross": "1.12345678901234567890 g", "balance": "bench"}},
        "weight.gross",
        "too_many_digits",
    ),
    ({"weight": {"gross": "", "balance": "bench"}}, "weight.gross", "not_a_number"),
    ({"weight": {"gross": {"value": "5"}, "balance": "bench"}}, "weight.gross", "mass_incomplete"),
    ({"weight": {"gross": "7 kg", "balance": "bench"}}, "weight.gross", "above_capacity"),
    ({"weight": {"gross": "7 g", "balance": "no-such"}}, "weight.balance", "does_not_exist"),
    ({"weight": {"gross": 12.5, "balance": "bench"}}, "weight.gross", "not_a_number"),
    ({"declared": {"Ag": "1001"}}, "declared.Ag", "fineness_out_of_range"),
    ({"declared": {"Ag": "-1"}}, "declared.Ag", "fineness_out_of_range"),
    ({"declared": {"Ag": "950", "Cu": "60"}}, "declared", "fineness_sum_above_1000"),
    ({"declared": {"Pb": "5"}}, "declared.Pb", "unknown_metal"),
    ({"declared": [1, 2]}, "declared", "not_by_metal"),
    ({"occurred_at": "2027-01-01T00:00:00Z"}, "occurred_at", "in_the_future"),
    ({"occurred_at": "yesterday"}, "occurred_at", "invalid"),
    ({"description": "x" * 201}, "description", "max_length"),
    ({"note": "x" * 501}, "note", "max_length"),
    ({"form": "soup"}, "form", "invalid_choice"),
    ({"form": "in_process"}, "form", "form_not_received"),
    ({"party": None}, "party", "null"),
    ({"party": "nobody"}, "party", "does_not_exist"),
    ({"wieght": 1}, "wieght", "unknown_field"),
    ({"code": "GR26-0001-1"}, "code", "bad_check_character"),
    ({"code": "x" * 40}, "code", "bad_code"),
]


@pytest.mark.parametrize(("change", "field", "code"), BAD)
def test_bad_receipt_is_refused_by_name_and_nothing_is_written(api, body, change, field, code):
    before = counts()
    answer = api.post(URL, {**body, **change})
    problem = answer.json()
    assert (answer.status_code, problem["code"], problem["field"]) == (400, code, field)
    assert counts() == before


@pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity", "1" * 50, "1." + "1" * 70])
def test_numbers_json_should_not_carry_are_refused(api, body, number):
    before = counts()
    text = json.dumps(body).replace('"Cu": 75', f'"Cu": {number}')
    answer = api.generic("POST", URL, text, content_type="application/json")
    assert (answer.status_code, answer.json()["code"]) == (400, "not_a_number")
    assert counts() == before


def test_exponent_in_json_does_not_pass_for_a_fineness(api, body):
    text = json.dumps(body).replace('"Cu": 75', '"Cu": 1e308')
    answer = api.generic("POST", URL, text, content_type="application/json")
    assert answer.status_code == 400
    assert answer.json()["field"] == "declared.Cu"


@pytest.mark.parametrize("text", ["", "{", "[" * 5000, "\x00", '{"a": "\\ud800"}'])
def test_what_is_not_json_is_refused(api, works, text):
    answer = api.generic("POST", URL, text, content_type="application/json")
    assert answer.status_code == 400


def test_code_already_on_a_lot_is_refused(api, body):
    code = api.post(URL, body).data["code"]
    before = counts()
    answer = api.post(URL, {**body, "code": code.lower()})
    assert (answer.status_code, answer.json()["code"]) == (409, "duplicate_code")
    assert counts() == before


def test_receipt_on_an_overdue_balance_is_kept_with_a_warning(api, body, works):
    works.balance.calibration_due = "2026-05-03"
    works.balance.save()
    api.post(URL, body)
    weighing = api.get("/api/v1/weighings/").json()["results"][0]
    assert weighing["calibration_overdue"] is True
    assert weighing["warnings"] == ["Balance Bench balance was past its calibration date."]


def test_history_has_no_edit_and_no_delete(api, body):
    code = api.post(URL, body).data["code"]
    for address in (f"/api/v1/lots/{code}/", "/api/v1/movements/1/", "/api/v1/weighings/1/"):
        for method in (api.put, api.patch, api.delete):
            assert method(address, {}).status_code == 405


def test_strangers_and_customers_are_turned_away(client, api_as, works, body):
    assert client.post(URL, body, content_type="application/json").status_code == 401
    assert client.get("/api/v1/lots/").status_code == 401
    refused = api_as(works.isolde).get("/api/v1/lots/")
    assert (refused.status_code, refused.json()["code"]) == (403, "permission_denied")


def test_a_request_larger_than_any_has_cause_to_be_is_refused(api, works, settings):
    settings.DATA_UPLOAD_MAX_MEMORY_SIZE = 1000
    text = json.dumps({"note": "x" * 1000})
    answer = api.generic("POST", URL, text, content_type="application/json")
    assert (answer.status_code, answer.json()["code"]) == (413, "too_large")
