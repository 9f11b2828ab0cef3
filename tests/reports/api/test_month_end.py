"""The month through the API: counted blind, adjusted and approved by two, closed, reopened."""

from __future__ import annotations

import io
import json
from types import SimpleNamespace
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from openpyxl import load_workbook

from lots.ledger.holdings import holding
from reports.models import CountAdjustment, CountedMetal, CountLine, MonthEnd
from tests.builders import row_counts
from tests.refused import check_refusal

APRIL = "/api/v1/months/2026-04"
MARCH = "/api/v1/months/2026-03"


@pytest.fixture
def desks(in_june: SimpleNamespace, api_as: Any) -> SimpleNamespace:
    works = in_june.works
    names = ("operator", "accountant", "manager", "assayer")
    return SimpleNamespace(spring=in_june, **{name: api_as(getattr(works, name)) for name in names})


@pytest.fixture
def sheet(desks: SimpleNamespace) -> str:
    """The fine safe's sheet for April: the crystal and the bar."""
    assert desks.accountant.post(f"{APRIL}/begin/").status_code == 201
    answer = desks.accountant.post(f"{APRIL}/count-sheets/", {"place": "fine-safe"})
    assert answer.status_code == 201, answer.content
    return f"/api/v1/count-sheets/{answer.json()['code']}"


def weighed(grams: str) -> dict[str, Any]:
    return {"weight": {"gross": f"{grams} g", "balance": "bench"}}


def test_nothing_of_the_book_is_shown_until_the_whole_sheet_is_counted(desks, sheet):
    crystal, bar = desks.spring.crystal, desks.spring.bar
    figures = {
        str(mass_ug)
        for lot in (crystal, bar)
        for mass_ug in (*holding(lot).metals.values(), holding(lot).mass_ug)
    }
    seen = [desks.operator.get(f"{sheet}/").content.decode()]
    form = b"".join(desks.operator.get(f"{sheet}/form/", {"as": "csv"}).streaming_content)
    seen.append(form.decode())
    seen.append(desks.operator.get("/api/v1/count-sheets/").content.decode())
    first = desks.operator.post(f"{sheet}/counts/", {"lot": bar.code, "sighted": True})
    assert first.status_code == 201
    seen += [first.content.decode(), desks.operator.get(f"{sheet}/").content.decode()]
    for text in seen:
        assert not [figure for figure in figures if figure in text]
        assert '"book"' not in text
    last = desks.operator.post(f"{sheet}/counts/", {"lot": crystal.code, **weighed("1990")})
    counted = desks.operator.get(f"{sheet}/").json()
    assert counted["state"] == "counted"
    line = next(each for each in counted["lines"] if each["lot"] == crystal.code)
    assert line["metals"] == last.json()["metals"]
    assert line["metals"][0]["book"]["ug"] == holding(crystal).metals["Ag"]
    assert line["metals"][0]["difference"]["ug"] == holding(crystal).metals["Ag"] - 1_990_000_000
    assert "book less physical" in counted["signs"]


def test_sheets_are_listed_by_their_month(desks, sheet):
    for month, listed in (("2026-03", []), ("2026-04", [sheet])):
        answer = desks.operator.get("/api/v1/count-sheets/", {"month": month}).json()
        assert [f"/api/v1/count-sheets/{each['code']}" for each in answer["results"]] == listed


def test_a_recount_stands_and_the_first_count_stays(desks, sheet):
    crystal = desks.spring.crystal
    desks.operator.post(f"{sheet}/counts/", {"lot": crystal.code, **weighed("1990")})
    again = desks.operator.post(f"{sheet}/recounts/", {"lot": crystal.code, **weighed("1994")})
    assert again.status_code == 201
    assert again.json()["counted_mass"]["g"] == "1994.000000"
    assert CountLine.objects.filter(lot=crystal).count() == 2


@pytest.mark.parametrize(
    ("body", "status", "code", "field"),
    [
        ({}, 400, "one_count_needed", None),
        ({"sighted": True, "missing": True}, 400, "one_count_needed", None),
        (weighed("-1"), 400, "not_positive", "weight.gross"),
        (weighed("NaN"), 400, "not_a_number", "weight.gross"),
        ({"assay": 999, "sighted": True}, 400, "does_not_exist", "assay"),
        ({"assay": "9" * 30, "sighted": True}, 400, "does_not_exist", "assay"),
        ({"assay": "first", "sighted": True}, 400, "incorrect_type", "assay"),
        ({"lot": "FC26-9999-9", "sighted": True}, 400, "does_not_exist", "lot"),
        ({"sighted": True, "book": 1}, 400, "unknown_field", "book"),
    ],
)
def test_a_bad_count_is_refused_by_name_and_nothing_is_written(
    desks, sheet, body, status, code, field
):
    before = row_counts()
    body = {"lot": desks.spring.crystal.code, **body}
    check_refusal(desks.operator.post(f"{sheet}/counts/", body), status, code, field)
    assert row_counts() == before


def filled_form(desks: SimpleNamespace, sheet: str, **gross: str) -> SimpleUploadedFile:
    """The sheet's workbook with `gross` grams filled in by lot (its code with underscores)."""
    content = b"".join(desks.operator.get(f"{sheet}/form/").streaming_content)
    book = load_workbook(io.BytesIO(content))
    page: Any = book.worksheets[0]
    header = next(row[0].row for row in page.iter_rows() if row[0].value == "Sheet")
    at = {cell.value: cell.column for cell in page[header]}
    for row in range(header + 1, page.max_row + 1):
        code = str(page.cell(row, at["Lot"]).value).replace("-", "_")
        if code in gross:
            page.cell(row, at["Balance"], "bench")
            page.cell(row, at["Gross"], gross[code])
        else:
            page.cell(row, at["How"], "sighted")
    file = io.BytesIO()
    book.save(file)
    return SimpleUploadedFile("form.xlsx", file.getvalue())


def test_the_form_goes_out_blind_and_comes_back_filled_in(desks, sheet):
    crystal = desks.spring.crystal.code
    file = filled_form(desks, sheet, **{crystal.replace("-", "_"): "1990.5"})
    answer = desks.operator.post(f"{sheet}/upload/", {"file": file}, format="multipart")
    assert answer.status_code == 201, answer.content
    line = next(each for each in answer.json()["lines"] if each["lot"] == crystal)
    assert (answer.json()["state"], line["counted_mass"]["g"]) == ("counted", "1990.500000")


def test_an_upload_with_a_row_at_fault_enters_nothing_and_names_the_row(desks, sheet):
    before = row_counts()
    crystal = desks.spring.crystal.code
    file = filled_form(desks, sheet, **{crystal.replace("-", "_"): "-5"})
    answer = desks.operator.post(f"{sheet}/upload/", {"file": file}, format="multipart")
    check_refusal(answer, 400, "rows_refused", "file")
    assert [each["code"] for each in answer.json()["problems"]] == ["not_positive"]
    assert answer.json()["problems"][0]["field"].endswith(".gross")
    assert row_counts() == before


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"", "not_a_count_form"),
        (b"PK\x03\x04 no workbook", "not_a_workbook"),
        (b"\xff\xfe\x00", "not_a_count_form"),
        (b"a,b\n1,2\n", "not_a_count_form"),
    ],
)
def test_an_upload_that_is_no_form_is_refused(desks, sheet, content, code):
    before = row_counts()
    file = SimpleUploadedFile("form.xlsx", content)
    answer = desks.operator.post(f"{sheet}/upload/", {"file": file}, format="multipart")
    check_refusal(answer, 400, code, "file")
    assert row_counts() == before


def test_an_adjustment_takes_two_people_and_can_be_declined(desks, sheet):
    crystal, bar = desks.spring.crystal.code, desks.spring.bar.code
    desks.operator.post(f"{sheet}/counts/", {"lot": crystal, **weighed("1990")})
    desks.operator.post(f"{sheet}/counts/", {"lot": bar, "sighted": True})
    causes = {"causes": {crystal: "spillage"}}
    assert desks.operator.post(f"{sheet}/propose/", causes).status_code == 403
    assert desks.accountant.post(f"{sheet}/propose/", causes).status_code == 201
    check_refusal(desks.accountant.post(f"{sheet}/approve/"), 403, "same_person", "who")
    proposal = CountAdjustment.objects.get()
    address = f"/api/v1/count-adjustments/{proposal.pk}"
    check_refusal(desks.manager.post(f"{address}/decline/"), 400, "empty", "note")
    declined = desks.manager.post(f"{address}/decline/", {"note": "weigh it again"})
    assert declined.json()["state"] == "declined"
    desks.accountant.post(f"{sheet}/propose/", causes)
    assert desks.manager.post(f"{sheet}/approve/").status_code == 201
    assert holding(desks.spring.crystal).mass_ug == 1_990_000_000
    shown = desks.manager.get("/api/v1/count-adjustments/", {"state": "posted"}).json()["results"]
    assert [(each["lot"], each["movement"] is not None) for each in shown] == [(crystal, True)]


@pytest.mark.parametrize(
    ("causes", "status", "code"),
    [({}, 400, "nothing_proposed"), ({"X": "spillage"}, 400, "unknown_lot")],
)
def test_a_bad_proposal_is_refused(desks, sheet, causes, status, code):
    before = CountedMetal.objects.count(), CountAdjustment.objects.count()
    answer = desks.accountant.post(f"{sheet}/propose/", {"causes": causes})
    assert (answer.status_code, answer.json()["code"]) == (status, code)
    assert (CountedMetal.objects.count(), CountAdjustment.objects.count()) == before


STEPS = ("begin", "prepare", "send-back", "approve", "close", "reopen")


def test_every_step_is_for_the_office(desks):
    desks.accountant.post(f"{APRIL}/begin/")
    before = row_counts()
    for step in STEPS:
        for desk in (desks.operator, desks.assayer):
            assert desk.post(f"{APRIL}/{step}/", {"reason": "x"}).status_code == 403
    assert row_counts() == before


def test_a_month_is_closed_in_order_and_reopened_on_record(desks):
    for month in (MARCH, APRIL):
        assert desks.accountant.post(f"{month}/begin/").status_code == 201
        desks.accountant.post(f"{month}/prepare/")
        desks.manager.post(f"{month}/approve/")
    check_refusal(desks.manager.post(f"{APRIL}/close/"), 409, "earlier_month_open", "month")
    assert desks.manager.post(f"{MARCH}/close/").json()["state"] == "closed"
    assert desks.manager.post(f"{APRIL}/close/").json()["state"] == "closed"
    check_refusal(desks.manager.post(f"{APRIL}/reopen/"), 400, "required", "reason")
    check_refusal(desks.manager.post(f"{APRIL}/reopen/", {"reason": " "}), 400, "blank", "reason")
    opened = desks.manager.post(f"{APRIL}/reopen/", {"reason": "a late receipt"}).json()
    assert (opened["state"], opened["statement_digest"]) == ("counting", "")
    shown = desks.operator.get(f"{APRIL}/").json()
    assert shown["reopenings"][0]["reason"] == "a late receipt"
    assert len(shown["reopenings"][0]["statement_digest"]) == 64


def test_a_step_sent_twice_is_taken_once(desks):
    headers = {"Idempotency-Key": "april"}
    first = desks.accountant.post(f"{APRIL}/begin/", {}, headers=headers)
    second = desks.accountant.post(f"{APRIL}/begin/", {}, headers=headers)
    assert (first.json(), MonthEnd.objects.count()) == (second.json(), 1)
    check_refusal(desks.accountant.post(f"{APRIL}/begin/"), 409, "already_begun", "month")


@pytest.mark.parametrize(
    ("month", "status", "code"),
    [
        ("2026-4", 400, "not_a_month"),
        ("2026-13", 400, "not_a_month"),
        ("2027-01", 400, "in_the_future"),
    ],
)
def test_a_month_that_is_none_is_refused(desks, month, status, code):
    check_refusal(desks.accountant.post(f"/api/v1/months/{month}/begin/"), status, code, "month")


def test_a_month_nobody_began_is_not_found(desks):
    answer = desks.accountant.post("/api/v1/months/2026-02/prepare/")
    assert (answer.status_code, answer.json()["code"]) == (404, "unknown")
    assert json.loads(answer.content)["remedy"]
