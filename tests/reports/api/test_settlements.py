"""Prices, terms, settlements and questions through the API, and what each is refused for."""

from __future__ import annotations

import io
from types import SimpleNamespace
from typing import Any

import pytest
from openpyxl import load_workbook

from lots.models import Lot
from lots.services.process_batches import Inputs, start_batch
from lots.services.taking import Take
from reports.models import ContractTerms, MetalPrice, Settlement
from tests.builders import row_counts
from tests.cells.conftest import Bench
from tests.refused import check_refusal
from tests.reports.api.conftest import TERMS


@pytest.fixture
def desks(works: SimpleNamespace, act: Any, api_as: Any) -> SimpleNamespace:
    """The office, and a lot of Isolde's, assayed and joined to the pool."""
    names = ("operator", "accountant", "manager", "isolde")
    people = {name: api_as(getattr(works, name)) for name in names}
    bench = Bench(works)
    lot = bench.granules(works.brackwater, grams="1000", Ag="925")
    assay = {
        "method": "gravimetric",
        "laboratory": "quay-lab",
        "results": {"Ag": {"value": "924.5", "standard_uncertainty": "0.2"}},
    }
    answer = people["operator"].post(f"/api/v1/lots/{lot.code}/assays/", {"assay": assay})
    assert answer.status_code == 201
    start_batch(
        kind="granulating",
        place=works.places["melt-bench"],
        inputs=Inputs([Take(lot)]),
        keep_apart=False,
        act=act(1),
    )
    return SimpleNamespace(lot=lot, bench=bench, **people)


def set_terms(desks: SimpleNamespace, **changed: Any) -> Any:
    body = {"customer": "brackwater", "content": TERMS | changed, "valid_from": "2026-01-01"}
    return desks.accountant.post("/api/v1/terms/record/", body)


def prepare(desks: SimpleNamespace, **body: Any) -> Any:
    address = f"/api/v1/lots/{desks.lot.code}/settlements/"
    return desks.accountant.post(address, {"kind": "final", **body})


def test_a_settlement_is_prepared_approved_and_superseded(desks):
    assert set_terms(desks).json()["number"] == 1
    draft = prepare(desks).json()
    assert (draft["state"], draft["payable"]["Ag"]["g"]) == ("draft", "924.500000")
    address = f"/api/v1/settlements/{draft['code']}"
    check_refusal(desks.accountant.post(f"{address}/approve/"), 403, "same_person", "who")
    assert desks.manager.post(f"{address}/approve/").json()["state"] == "approved"
    set_terms(desks, metals=[{"metal": "Ag", "accountability": [{"percent": "99"}]}])
    second = prepare(desks).json()
    assert second["supersedes"] == draft["code"]
    desks.manager.post(f"/api/v1/settlements/{second['code']}/approve/")
    shown = desks.isolde.get(f"/api/v1/settlements/{second['code']}/statement/").json()
    payable = {each["unit"]: each["difference"] for each in shown["changes"]}
    assert payable["g"].startswith("-9.245")
    states = desks.operator.get("/api/v1/settlements/", {"lot": desks.lot.code}).json()["results"]
    assert [each["state"] for each in states] == ["approved", "superseded"]


def test_the_statement_says_the_same_in_every_form(desks):
    set_terms(desks, treatment=[{"per_kg": "40"}])
    code = prepare(desks).json()["code"]
    address = f"/api/v1/settlements/{code}/statement/"
    shown = desks.operator.get(address).json()
    assert (shown["total"], shown["payable"][0]["mass"]["g"]) == ("-40.00", "924.500000")
    assert shown["signs"]
    assert shown["deference"]
    workbook = b"".join(desks.operator.get(address, {"as": "xlsx"}).streaming_content)
    page = load_workbook(io.BytesIO(workbook)).worksheets[0]
    rows = list(page.iter_rows(values_only=True))
    first = next(number for number, row in enumerate(rows) if row[0] == "Part") + 1
    for told, row in zip(shown["lines"], rows[first:], strict=False):
        line = told["line"]
        assert row[:2] == (line["section"], line["label"])
        if line["formula"]:
            assert str(row[2]).startswith("=")
        else:
            assert float(row[2]) == pytest.approx(float(line["value"]))
    pdf = desks.operator.get(address, {"as": "pdf"})
    assert pdf["Content-Type"] == "application/pdf"
    assert b"".join(pdf.streaming_content).startswith(b"%PDF-")
    check_refusal(desks.operator.get(address, {"as": "csv"}), 400, "invalid_choice", "as")


def test_what_if_reckons_again_and_keeps_nothing(desks):
    set_terms(desks)
    code = prepare(desks).json()["code"]
    before = row_counts(), list(Settlement.objects.values())
    address = f"/api/v1/settlements/{code}/what-if/"
    supposed = desks.operator.post(address, {"results": {"Ag": {"house": "900"}}})
    assert supposed.status_code == 200
    assert supposed.json()["after"]["payable"]["Ag"]["g"] == "900.000000"
    check_refusal(
        desks.operator.post(address, {"results": {"Au": {"house": "1"}}}),
        400,
        "unknown_metal",
        "results.Au",
    )
    check_refusal(desks.operator.post(address, {"weigth_g": "1"}), 400, "unknown_field", "weigth_g")
    check_refusal(
        desks.operator.post(address, {"terms": {"currency": "euro"}}),
        400,
        "not_a_currency",
        "terms.currency",
    )
    assert (row_counts(), list(Settlement.objects.values())) == before


def test_a_draft_is_withdrawn_with_a_reason(desks):
    set_terms(desks)
    code = prepare(desks).json()["code"]
    check_refusal(prepare(desks), 409, "settlement_draft_exists", "lot")
    address = f"/api/v1/settlements/{code}/withdraw/"
    check_refusal(desks.accountant.post(address), 400, "empty", "note")
    dropped = desks.accountant.post(address, {"note": "another assay comes"})
    assert dropped.json()["state"] == "withdrawn"


def test_writing_is_for_the_office(desks):
    set_terms(desks)
    code = prepare(desks).json()["code"]
    before = row_counts()
    for address, body in (
        ("terms/record/", {"customer": "brackwater", "content": TERMS}),
        ("prices/record/", {}),
        (f"lots/{desks.lot.code}/settlements/", {"kind": "final"}),
        (f"settlements/{code}/approve/", {}),
        (f"settlements/{code}/withdraw/", {"note": "x"}),
        (f"lots/{desks.lot.code}/questions/", {"question": "?"}),
    ):
        assert desks.operator.post(f"/api/v1/{address}", body).status_code == 403, address
    assert row_counts() == before


@pytest.mark.parametrize(
    ("body", "status", "code", "field"),
    [
        ({"kind": "last"}, 400, "invalid_choice", "kind"),
        ({"impurities_ppt": {"Bi": "-1"}}, 400, "fineness_out_of_range", "impurities_ppt"),
        ({"tax": "NaN"}, 400, "not_a_number", "tax"),
        ({"kind": "final", "totl": 1}, 400, "unknown_field", "totl"),
        ({}, 409, "no_terms", "lot"),
    ],
)
def test_a_bad_preparation_is_refused(desks, body, status, code, field):
    before = row_counts()
    check_refusal(prepare(desks, **body), status, code, field)
    assert row_counts() == before


@pytest.mark.parametrize(
    ("content", "code", "field"),
    [
        ({"currency": "euro"}, "not_a_currency", "content.currency"),
        ({"metals": [{"metal": "Pb"}]}, "unknown_metal", "content.metals.0.metal"),
        ({"metals": "all"}, "not_a_list", "content.metals"),
        ({"settle_in": "salt"}, "unknown_choice", "content.settle_in"),
    ],
)
def test_bad_terms_are_refused_by_name(desks, content, code, field):
    check_refusal(set_terms(desks, **content), 400, code, field)
    assert not ContractTerms.objects.exists()


PRICE = {
    "metal": "Ag",
    "per_unit": "ozt",
    "price": "31.25",
    "currency": "EUR",
    "from_date": "2026-05-01",
}


def test_a_price_is_entered_once(desks):
    address = "/api/v1/prices/record/"
    assert desks.accountant.post(address, PRICE).json()["price"] == "31.2500"
    check_refusal(desks.accountant.post(address, PRICE), 409, "price_exists", "from_date")
    found = desks.operator.get("/api/v1/prices/", {"metal": "Ag", "currency": "EUR"}).json()
    assert found["count"] == MetalPrice.objects.count() == 1


@pytest.mark.parametrize(
    ("change", "code", "field"),
    [
        ({"price": "0"}, "not_positive", "price"),
        ({"price": "-1"}, "not_positive", "price"),
        ({"price": "NaN"}, "not_a_number", "price"),
        ({"price": "Infinity"}, "not_a_number", "price"),
        ({"price": "1e308"}, "not_a_number", "price"),
        ({"price": "1.00001"}, "too_many_digits", "price"),
        ({"currency": "eur"}, "unknown_currency", "currency"),
        ({"per_unit": "oz"}, "invalid_choice", "per_unit"),
        ({"from_date": "May"}, "invalid", "from_date"),
        ({"source": "x" * 121}, "max_length", "source"),
    ],
)
def test_a_bad_price_is_refused_by_name(desks, change, code, field):
    answer = desks.accountant.post("/api/v1/prices/record/", {**PRICE, **change})
    check_refusal(answer, 400, code, field)
    assert not MetalPrice.objects.exists()


def test_a_question_is_recorded_with_its_answer_and_closed_by_the_reply(desks):
    set_terms(desks)
    address = f"/api/v1/lots/{desks.lot.code}/questions/"
    asked = desks.accountant.post(address, {"question": "Where is my lot?"}).json()
    assert asked["answer"]["lot"]["lot"] == desks.lot.code
    assert desks.lot.code in asked["draft"]
    reply = f"/api/v1/settlement-questions/{asked['id']}/answer/"
    check_refusal(desks.accountant.post(reply, {"reply": " "}), 400, "blank", "reply")
    assert desks.accountant.post(reply, {"reply": "In our pool."}).json()["state"] == "answered"
    check_refusal(desks.accountant.post(reply, {"reply": "x"}), 409, "already_answered", "question")


def test_a_question_about_the_works_own_lot_is_refused(desks):
    own = desks.bench.granules()
    answer = desks.accountant.post(f"/api/v1/lots/{own.code}/questions/", {"question": "?"})
    check_refusal(answer, 400, "not_a_customers_lot", "lot")
    assert Lot.objects.filter(settlement_questions__isnull=False).count() == 0
