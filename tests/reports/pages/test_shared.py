"""What a link shows without a sign-in, and that it says nothing when it opens nothing."""

from __future__ import annotations

import datetime as dt
import json
import logging
import re
from decimal import Decimal
from typing import Any

import pytest
from django.urls import reverse

from lots import clock
from lots.measurements.assays import AssayReport, Finding, record_assay
from lots.models import Lot, ProcessBatch
from lots.services.ownership import change_owner
from lots.services.process_batches import Inputs, record_output, start_batch
from lots.services.taking import Take
from reports.models import AccessRecord, Settlement, SharedLink
from reports.queries.lot.customer_view import ANOTHERS
from reports.queries.shared_links import token_signer
from reports.services.settlement import approve_settlement, prepare_settlement
from reports.services.terms import set_terms
from tests.builders import receive, row_counts, weighed_output

TERMS = {
    "currency": "EUR",
    "settle_in": "metal",
    "exchanged": False,
    "metals": [{"metal": "Ag", "splitting_limit_ppt": "2"}],
}


@pytest.fixture
def lots(works, act) -> dict[str, Lot]:
    """A lot of each customer, melted together in one pool."""
    lots = {}
    for owner in (works.brackwater, works.pellow):
        lots[owner.code] = receive(works, act(0), grams=1000, owner=owner)
        findings = {"Ag": Finding(Decimal(925), Decimal("0.3"))}
        report = AssayReport("gravimetric", works.laboratory, findings)
        record_assay(lot=lots[owner.code], report=report, act=act(1))
    start_batch(
        kind=ProcessBatch.Kind.GRANULATING,
        place=works.places["melt-bench"],
        inputs=Inputs([Take(lot) for lot in lots.values()]),
        keep_apart=False,
        act=act(1.5),
    )
    return lots


@pytest.fixture
def settlement(works, act, lots) -> Settlement:
    """Isolde's, approved."""
    office = act(1, who=works.accountant)
    day = act(0).moment.date()
    set_terms(customer=works.brackwater, content=TERMS, valid_from=day, act=office)
    prepared = prepare_settlement(
        lot=lots["brackwater"], kind="final", act=act(2, who=works.accountant)
    )
    return approve_settlement(settlement=prepared, act=act(3, who=works.manager))


@pytest.fixture
def shared(api_as, works, settlement, lots):
    """Links as the office makes them, through the API: to the settlement and to the lot."""
    office = api_as(works.accountant)

    def make(**given):
        answer = office.post("/api/v1/shared-links/share/", {"days": 7, **given})
        assert answer.status_code == 201, answer.content
        return answer.json()

    return make


def path_of(made) -> str:
    assert made["address"].startswith("http://testserver/shared/")
    return made["address"].removeprefix("http://testserver")


def assert_private(answer) -> None:
    assert answer.headers["X-Robots-Tag"] == "noindex, nofollow, noarchive"
    assert answer.headers["Referrer-Policy"] == "no-referrer"
    assert "no-store" in answer.headers["Cache-Control"]


def test_a_settlement_is_read_without_a_sign_in_as_page_json_and_pdf(client, shared, settlement):
    made = shared(settlement=settlement.code)
    path = path_of(made)
    page = client.get(path)
    assert page.status_code == 200
    text = page.content.decode()
    assert settlement.code in text
    assert "Isolde Brackwater" in text
    data = client.get(f"{path}json/")
    assert data.json()["code"] == settlement.code
    assert Decimal(data.json()["total"]) == settlement.total
    pdf = client.get(f"{path}pdf/")
    assert pdf.content.startswith(b"%PDF-")
    assert pdf.headers["Content-Disposition"] == f'attachment; filename="{settlement.code}.pdf"'
    for answer in (page, data, pdf):
        assert_private(answer)
    link = SharedLink.objects.get(pk=made["id"])
    assert link.reads == 3
    forms = AccessRecord.objects.filter(link=link).order_by("id").values_list("form", flat=True)
    assert list(forms) == ["page", "json", "pdf"]


def test_a_lots_answer_is_read_without_a_sign_in_and_names_no_other_customer(
    client, shared, lots, works, act
):
    """Some of Isolde's metal went on, by mixing, into a lot set apart for Pellow & Dane."""
    output = weighed_output(works, 500, form=Lot.Form.FINE_CRYSTAL)
    apart = record_output(batch=ProcessBatch.objects.get(), output=output, act=act(4))
    change_owner(lot=apart, owner=works.pellow, as_claim=True, act=act(5))
    path = path_of(shared(lot=lots["brackwater"].code))
    theirs = lots["pellow-dane"].code
    assert ANOTHERS in client.get(f"{path}json/").content.decode()
    for address in (path, f"{path}json/"):
        text = client.get(address).content.decode()
        assert lots["brackwater"].code in text
        for secret in (theirs, apart.code, "Pellow", "pellow"):
            assert secret not in text
    assert client.get(f"{path}pdf/").content.startswith(b"%PDF-")


def test_a_shared_page_leads_nowhere_that_needs_a_sign_in(client, shared, settlement, lots):
    for given in ({"settlement": settlement.code}, {"lot": lots["brackwater"].code}):
        path = path_of(shared(**given))
        links = set(re.findall(r'href="(/[^"]*)"', client.get(path).content.decode()))
        allowed = {f"{path}pdf/", f"{path}json/", "/"}
        assert {each for each in links if not each.startswith("/static/")} == allowed


def without_id(answer: Any) -> dict[str, str]:
    """The headers of an answer but the one that every request has for itself."""
    return {name: value for name, value in answer.headers.items() if name != "X-Request-ID"}


def test_whatever_opens_nothing_is_answered_alike(client, shared, settlement, api_as, works):
    revoked, expired, good = (shared(settlement=settlement.code) for _ in range(3))
    office = api_as(works.accountant)
    assert office.post(f"/api/v1/shared-links/{revoked['id']}/revoke/").status_code == 201
    SharedLink.objects.filter(pk=expired["id"]).update(
        created_at=clock.now() - dt.timedelta(days=9),
        expires_at=clock.now() - dt.timedelta(days=2),
    )
    before = row_counts()
    answers = [
        client.get(path)
        for path in (
            path_of(revoked),
            path_of(expired),
            reverse("shared", args=["never-was"]),
            reverse("shared", args=[token_signer().sign("never-was")]),
            f"{path_of(revoked)}json/",
            f"{path_of(expired)}pdf/",
            f"{path_of(good)}poem/",
        )
    ]
    for answer in answers:
        assert answer.status_code == 404
        assert answer.content == answers[0].content
        assert without_id(answer) == without_id(answers[0])
        assert_private(answer)
    after = row_counts()
    assert after.pop("lots.SignInAttempt") == before.pop("lots.SignInAttempt") + len(answers)
    assert after == before
    assert client.get(path_of(good)).status_code == 200


def test_a_link_is_only_read(client, shared, settlement, caplog):
    path = path_of(shared(settlement=settlement.code))
    caplog.set_level(logging.CRITICAL)
    for method in (client.post, client.put, client.patch, client.delete):
        answer = method(path)
        assert answer.status_code == 405
        assert_private(answer)
    assert not AccessRecord.objects.exists()


def test_the_address_is_given_once_and_kept_nowhere(api_as, works, settlement):
    office = api_as(works.accountant)
    body = {"settlement": settlement.code, "days": 7}
    headers = {"Idempotency-Key": "share-1"}
    first = office.post("/api/v1/shared-links/share/", body, headers=headers).json()
    again = office.post("/api/v1/shared-links/share/", body, headers=headers).json()
    assert first["address"]
    assert again == {**first, "address": None}
    listed = office.get("/api/v1/shared-links/").json()["results"]
    assert [each["id"] for each in listed] == [first["id"]]
    token = first["address"].split("/")[-2]
    assert token not in json.dumps(listed)


def test_links_and_access_records_are_for_the_office_alone(api_as, works, settlement, shared):
    made = shared(settlement=settlement.code)
    for user in (works.operator, works.assayer, works.isolde, works.dane):
        client = api_as(user)
        assert client.get("/api/v1/shared-links/").status_code == 403
        assert client.get("/api/v1/access-records/").status_code == 403
        share = client.post("/api/v1/shared-links/share/", {"settlement": settlement.code})
        assert share.status_code == 403
        assert client.post(f"/api/v1/shared-links/{made['id']}/revoke/").status_code == 403
    assert SharedLink.objects.get().revoked_at is None


def test_what_cannot_be_shared_is_refused(api_as, works, settlement, lots):
    office = api_as(works.accountant)
    for body, status, code, field in (
        ({}, 400, "one_thing", "settlement"),
        ({"settlement": settlement.code, "days": 0}, 400, "expiry_out_of_range", "days"),
        ({"settlement": "ST26-0000-0"}, 400, "does_not_exist", "settlement"),
        ({"lot": lots["brackwater"].code, "until": "ever"}, 400, "unknown_field", "until"),
    ):
        answer = office.post("/api/v1/shared-links/share/", body)
        problem = answer.json()
        assert (answer.status_code, problem["code"], problem["field"]) == (status, code, field)
    assert not SharedLink.objects.exists()


def test_readings_are_kept_of_pages_statements_answers_and_accounts(
    api_as, browse_as, works, settlement, lots
):
    lot = lots["brackwater"].code
    span = {"from_date": "2026-05-01", "to_date": "2026-05-31"}
    isolde, accountant = api_as(works.isolde), api_as(works.accountant)
    browser = browse_as(works.isolde)
    statement = isolde.get(f"/api/v1/settlements/{settlement.code}/statement/", {"as": "pdf"})
    assert b"".join(statement.streaming_content).startswith(b"%PDF-")
    accountant.get(f"/api/v1/lots/{lot}/answer/")
    accountant.get("/api/v1/reports/accounts/brackwater/", span)
    for name, code in (("settlement", settlement.code), ("lot-answer", lot)):
        assert browser.get(reverse(name, args=[code])).status_code == 200
    browser.get(reverse("account", args=["brackwater"]))
    browser.get(reverse("my-lots"))
    office = api_as(works.manager)
    kept = office.get("/api/v1/access-records/", {"ordering": "read_at"}).json()["results"]
    assert sorted(
        (each["user"], each["what"], each["reference"], each["form"]) for each in kept
    ) == [
        ("accountant", "account", "brackwater", "json"),
        ("accountant", "lot_answer", lot, "json"),
        ("isolde", "account", "brackwater", "page"),
        ("isolde", "lot_answer", lot, "page"),
        ("isolde", "lots", "brackwater", "page"),
        ("isolde", "settlement", settlement.code, "page"),
        ("isolde", "settlement", settlement.code, "pdf"),
    ]
    assert {each["customer"] for each in kept} == {"brackwater"}
    only = {"what": "settlement", "user": "isolde"}
    assert office.get("/api/v1/access-records/", only).json()["count"] == 2


def test_nothing_is_kept_of_a_reading_that_was_refused(api_as, browse_as, works, settlement, lots):
    dane = api_as(works.dane)
    dane.get(f"/api/v1/settlements/{settlement.code}/statement/")
    dane.get(f"/api/v1/lots/{lots['brackwater'].code}/answer/")
    browse_as(works.dane).get(reverse("settlement", args=[settlement.code]))
    assert not AccessRecord.objects.exists()
