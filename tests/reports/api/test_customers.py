"""No customer reads another's lot, statement or account: by no address, count or message."""

from __future__ import annotations

import datetime as dt
import json
import re
from dataclasses import replace
from types import SimpleNamespace

import pytest

from lots.models import Lot
from lots.services.assays import record_assay
from reports.models import Settlement
from reports.services.terms import set_terms
from tests.reports.api.conftest import JUNE_NOON, TERMS
from tests.reports.api.test_every_list import patterns

# What is made for customers; everything else is closed to them.
OPEN = {
    "api/v1/events/",
    "api/v1/lots/<str:code>/answer/",
    "api/v1/reports/accounts/<str:party>/",
    "api/v1/settlements/<str:code>/statement/",
}
TOKEN = "api/v1/token/"
SPAN = {"from_date": "2026-04-01", "to_date": "2026-06-30"}


def addresses() -> list[str]:
    return sorted({address for address, _, _ in patterns() if address != TOKEN})


def filled(address: str, code: str = "X", pk: str = "1") -> str:
    """The address with something in place of each of its parameters."""
    address = re.sub(r"\(\?P<format>[^)]*\)/?\??", "json", address)
    address = re.sub(r"\(\?P<(?:pk|sequence)>[^)]*\)", pk, address)
    address = re.sub(r"\(\?P<month>[^)]*\)", "2026-05", address)
    address = re.sub(r"\(\?P<[a-z_]+>[^)]*\)", code, address)
    address = re.sub(r"<int:[a-z_]+>", pk, address).replace("<str:month>", "2026-05")
    return re.sub(r"<str:[a-z_]+>", code, address)


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


def test_an_address_that_is_not_made_for_customers_is_closed_to_them(api_as, works):
    isolde = api_as(works.isolde)
    for address in sorted(set(addresses()) - OPEN):
        for method in (isolde.get, isolde.post, isolde.patch, isolde.put, isolde.delete):
            assert method(f"/{filled(address)}").status_code in {403, 405}, address


def test_an_address_is_closed_to_strangers(client, works):
    for address in addresses():
        for method in (client.get, client.post):
            assert method(f"/{filled(address)}").status_code in {401, 405}, address


def test_there_is_no_post_for_customers_where_they_may_read(api_as, works):
    isolde = api_as(works.isolde)
    for address in OPEN:
        assert isolde.post(f"/{filled(address)}").status_code == 403


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
