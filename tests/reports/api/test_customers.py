"""No customer reads another's lot, statement or account: by no address, count or message."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import replace
from types import SimpleNamespace

import pytest

from lots.measurements.assays import record_assay
from lots.models import Lot
from reports.models import Settlement
from reports.services.terms import set_terms
from tests.access_table import TABLE
from tests.reports.api.conftest import JUNE_NOON, TERMS

# What is made for customers; `tests/test_access.py` finds everything else closed to them.
OPEN = {route for route, (read, _) in TABLE.items() if read == "staff+theirs" and "api/" in route}
SPAN = {"from_date": "2026-04-01", "to_date": "2026-06-30"}


@pytest.fixture
def two(busy: SimpleNamespace) -> SimpleNamespace:
    """Isolde's lot and Pellow & Dane's, each with a settlement in force."""
    lots = {
        owner.code: Lot.objects.get(received_from=owner, settlements__isnull=False)
        for owner in (busy.works.brackwater, busy.works.pellow)
    }
    draft = Settlement.objects.get(lot=lots["pellow-dane"])
    Settlement.objects.filter(pk=draft.pk).update(
        state="approved", approved_by=busy.works.manager, approved_at=JUNE_NOON
    )
    return SimpleNamespace(works=busy.works, isoldes=lots["brackwater"], theirs=lots["pellow-dane"])


def test_what_is_open_to_customers_is_what_is_tried_here():
    assert {
        "api/v1/events/",
        "api/v1/lots/<code>/answer/",
        "api/v1/reports/accounts/<party>/",
        "api/v1/settlements/<code>/statement/",
    } == OPEN


def test_a_customer_reads_their_own_answer_and_account(api_as, two):
    isolde = api_as(two.works.isolde)
    answer = isolde.get(f"/api/v1/lots/{two.isoldes.code}/answer/")
    assert (answer.status_code, answer.json()["owner"]) == (200, "brackwater")
    account = isolde.get("/api/v1/reports/accounts/brackwater/", SPAN)
    assert (account.status_code, account.json()["customer"]) == (200, "brackwater")


def test_anothers_lot_is_answered_as_one_that_does_not_exist(api_as, two):
    isolde = api_as(two.works.isolde)
    for form in ("json", "csv", "xlsx"):
        theirs = isolde.get(f"/api/v1/lots/{two.theirs.code}/answer/", {"as": form})
        nobodys = isolde.get("/api/v1/lots/FD26-9999-9/answer/", {"as": form})
        assert theirs.status_code == nobodys.status_code == 404
        assert theirs.json() == nobodys.json()


def test_anothers_account_is_answered_as_one_that_does_not_exist(api_as, two):
    isolde = api_as(two.works.isolde)
    theirs = isolde.get("/api/v1/reports/accounts/pellow-dane/", SPAN)
    nobodys = isolde.get("/api/v1/reports/accounts/nobody/", SPAN)
    assert theirs.status_code == nobodys.status_code == 404
    assert theirs.json() == nobodys.json()


def test_anothers_statement_is_answered_as_one_that_does_not_exist(api_as, two):
    dane, isolde = api_as(two.works.dane), api_as(two.works.isolde)
    settlement = Settlement.objects.get(lot=two.theirs)
    address = f"/api/v1/settlements/{settlement.code}/statement/"
    assert dane.get(address).json()["lot"] == two.theirs.code
    for form in ("json", "xlsx", "pdf"):
        theirs = isolde.get(address, {"as": form})
        nobodys = isolde.get("/api/v1/settlements/ST26-9999-9/statement/", {"as": form})
        assert theirs.status_code == nobodys.status_code == 404
        assert theirs.json() == nobodys.json()


def test_a_draft_is_not_shown_to_its_customer(api_as, two):
    draft = Settlement.objects.get(lot=two.isoldes)
    assert draft.state == "draft"
    address = f"/api/v1/settlements/{draft.code}/statement/"
    assert api_as(two.works.isolde).get(address).status_code == 404
    assert api_as(two.works.operator).get(address).status_code == 200


def test_nothing_of_another_customer_stands_in_an_answer(api_as, busy):
    """Isolde's and the dealers' metal went through one electrolyte into crystal and slimes."""
    isolde = api_as(busy.works.isolde)
    for lot in Lot.objects.filter(received_from=busy.works.brackwater, form="granules"):
        text = json.dumps(isolde.get(f"/api/v1/lots/{lot.code}/answer/").json())
        others = Lot.objects.filter(owner=busy.works.pellow).values_list("code", flat=True)
        assert not [code for code in others if code in text]
        assert "Pellow" not in text
        assert "pellow" not in text


def test_the_works_result_is_shown_once_the_customers_own_is_recorded(api_as, busy, act):
    """Each party sees the other's assay only when both are in (common practice, no source)."""
    works, bench = busy.works, busy.bench
    terms = {name: value for name, value in TERMS.items() if name != "exchanged"}
    set_terms(
        customer=works.brackwater,
        content=terms,
        act=act(1, who=works.accountant),
        valid_from=dt.date(2026, 2, 1),
    )
    lot = bench.granules(works.brackwater, grams="50", hours=200)
    record_assay(lot=lot, report=bench.assay(Ag="924"), act=bench.act(201))
    address = f"/api/v1/lots/{lot.code}/answer/"

    def seen(user: object) -> tuple[int, str]:
        answer = api_as(user).get(address).json()
        return len(answer["evidence"]["assays"]), answer["payable"]["basis"]

    assert seen(works.operator) == (1, "estimate")
    assert seen(works.isolde) == (0, "none")
    theirs = replace(bench.assay(Ag="925"), side="counterparty")
    record_assay(lot=lot, report=theirs, act=bench.act(202))
    assert seen(works.isolde) == (2, "estimate")
