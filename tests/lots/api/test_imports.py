"""Imports through the API: a file or rows, tried or recorded, listed with what came of them."""

from __future__ import annotations

import json
from decimal import Decimal

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile

from lots.models import Lot, Movement, SheetImport, Weighing
from lots.sheets import request_rows
from tests.imported import lines

ADDRESS = "/api/v1/imports/"
TRAY = {
    "party": "brackwater",
    "place": "feed-shelf",
    "when": "2026-05-04T09:30:00Z",
    "gross": "1000.4 g",
    "tare": 0.4,
    "balance": "bench",
    "Ag": 925,
}


@pytest.fixture
def office(works, api_as):
    return api_as(works.manager)


def post(client, rows, **more):
    key = more.pop("key", "")
    return client.post(
        ADDRESS, {"subject": "receipts", "rows": rows, **more}, headers={"Idempotency-Key": key}
    )


def test_rows_are_recorded_whole_and_listed_with_what_came_of_them(office, works):
    answer = post(office, [TRAY, {**TRAY, "gross": "41.87 ozt", "tare": None}], note="May")
    assert answer.status_code == 201, answer.content
    made = answer.json()
    assert (made["row_count"], made["origin"], made["recorded_by"]) == (2, "request", "manager")
    rows = office.get(f"{ADDRESS}{made['code']}/rows/").json()["results"]
    assert [(row["number"], row["movement"], row["reversed_by"]) for row in rows] == [
        (1, 1, None),
        (2, 2, None),
    ]
    assert Weighing.objects.get(lot__code=rows[0]["lot"]).net_ug == 1_000_000_000
    assert office.get(ADDRESS, {"subject": "receipts"}).json()["count"] == 1
    assert office.get(ADDRESS, {"subject": "weighings"}).json()["count"] == 0
    assert office.get(ADDRESS, {"subjct": "x"}).json()["code"] == "unknown_filter"
    listed = office.get("/api/v1/movements/", {"imported_by": made["code"]}).json()
    assert {each["sequence"] for each in listed["results"]} == {1, 2}
    assert office.get(f"{ADDRESS}{made['code']}/").json() == made
    assert office.delete(f"{ADDRESS}{made['code']}/").status_code == 405


def test_a_trial_says_what_recording_would_refuse_and_neither_records(office):
    rows = [TRAY, {**TRAY, "gross": "-5 g", "place": "nowhere"}, {**TRAY, "Ag": "1,234"}]
    trial = post(office, rows, dry_run=True)
    assert trial.status_code == 200
    found = trial.json()
    assert found["rows"] == 3
    assert found["metals"]["Ag"]["g"] == "925.000000"
    named = [(each["field"], each["code"]) for each in found["problems"]]
    assert named == [
        ("rows.2.gross", "not_positive"),
        ("rows.2.place", "unknown_name"),
        ("rows.3.Ag", "ambiguous_number"),
    ]
    refused = post(office, rows)
    assert refused.status_code == 400
    assert refused.json()["code"] == "rows_refused"
    assert refused.json()["problems"] == found["problems"]
    assert not Lot.objects.exists()
    assert not SheetImport.objects.exists()


def test_an_import_sent_twice_is_recorded_once(office):
    first = post(office, [TRAY], key="may")
    assert post(office, [TRAY], key="may").json() == first.json()
    assert post(office, [TRAY, TRAY], key="may").json()["code"] == "idempotency_key_reused"
    again = post(office, [TRAY], key="later")
    assert (again.status_code, again.json()["code"]) == (409, "already_imported")
    assert Movement.objects.count() == 1
    assert post(office, [TRAY], again=True).status_code == 201


def test_a_file_is_imported_by_its_headings_and_by_what_the_request_says(office):
    sheet = lines(["Weight", "Silver (%)"], ["41,87", "92,5"], ["1,234", "50"])
    form = {
        "subject": "receipts",
        "columns": json.dumps(
            {
                "gross": {"unit": "ozt"},
                "party": {"value": "brackwater"},
                "place": {"value": "feed-shelf"},
                "balance": {"value": "bench"},
            }
        ),
        "decimal_sign": ",",
    }
    answer = office.post(
        ADDRESS, {**form, "file": SimpleUploadedFile("a.csv", sheet)}, format="multipart"
    )
    assert answer.status_code == 201, answer.content
    assert answer.json()["file_name"] == "a.csv"
    weighed = Weighing.objects.order_by("id").values_list("gross_ug", flat=True)
    assert list(weighed) == [1_302_302_574, 38_381_690]


@pytest.mark.parametrize(
    ("given", "code", "field"),
    [
        ({"subject": "nothing", "rows": []}, "unknown_choice", "subject"),
        ({"subject": "receipts"}, "one_source_needed", "file"),
        ({"subject": "receipts", "rows": "x"}, "not_a_list", "rows"),
        ({"subject": "receipts", "rows": ["x"]}, "not_a_row", "rows.1"),
        ({"subject": "receipts", "rows": [{"grss": 1}]}, "unknown_column", "rows.1.grss"),
        ({"subject": "receipts", "rows": [{"gross": [1]}]}, "not_a_cell", "rows.1.gross"),
        ({"subject": "receipts", "rows": []}, "column_needed", "party"),
        ({"subject": "receipts", "rows": [TRAY], "columns": []}, "not_a_column", "columns"),
        (
            {"subject": "receipts", "rows": [TRAY], "columns": {"gross": {"column": 0}}},
            "not_a_column",
            "columns.gross",
        ),
        (
            {"subject": "receipts", "rows": [TRAY], "columns": {"nope": {"column": 1}}},
            "unknown_column",
            "nope",
        ),
        ({"subject": "receipts", "rows": [TRAY], "dryrun": True}, "unknown_field", "dryrun"),
    ],
)
def test_requests_that_cannot_be_are_refused(office, given, code, field):
    answer = office.post(ADDRESS, given)
    assert answer.status_code == 400
    assert (answer.json()["code"], answer.json()["field"]) == (code, field)
    assert not Lot.objects.exists()


def test_a_request_takes_so_many_rows_and_files_only_as_sheets(office, monkeypatch):
    monkeypatch.setattr(request_rows, "ROWS_MAX", 1)
    assert post(office, [TRAY, TRAY]).json()["code"] == "too_many_rows"
    file = SimpleUploadedFile("a.csv", b"\xff\xd8\xff")
    form = {"subject": "receipts", "file": file}
    assert office.post(ADDRESS, form, format="multipart").json()["code"] == "not_a_sheet"


def test_roles_import_what_is_theirs_and_are_told_its_columns(works, api, api_as):
    told = api.get(f"{ADDRESS}subjects/").json()
    assert [each["name"] for each in told] == ["weighings", "readings"]
    lot = told[0]["columns"][0]
    assert (lot["name"], lot["needed"]) == ("lot", True)
    refused = post(api, [TRAY])
    assert (refused.status_code, refused.json()["code"]) == (403, "not_for_this_role")
    assert post(api_as(works.isolde), [TRAY]).status_code == 403
    assert api_as(works.isolde).get(ADDRESS).status_code == 403


def test_numbers_of_json_are_exact(office):
    post(office, [{**TRAY, "gross": Decimal("0.000001"), "tare": None}], confirm=True)
    assert Weighing.objects.get().gross_ug == 1
