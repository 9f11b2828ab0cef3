"""A settlement by its forms, and what a customer sees of it."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from types import SimpleNamespace
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils.html import escape

from lots import display
from lots.measurements.assays import AssayReport, Finding, record_assay
from lots.models import Lot
from reports.models import Settlement
from reports.queries.lot.settlement_statement import settlement_statement
from reports.services.terms import set_terms
from tests.builders import receive, row_counts

TERMS = {
    "currency": "EUR",
    "settle_in": "metal",
    "metals": [
        {
            "metal": "Ag",
            "splitting_limit_ppt": "2",
            "accountability": [{"percent": "99"}],
            "refining_charge_per_ozt": "0.5",
        }
    ],
    "treatment": [{"per_kg": "40"}],
}


@pytest.fixture
def lot(works: SimpleNamespace, act: Callable[..., Any]) -> Lot:
    """Isolde's 2500 g of sterling; the house found 901.5 and she 900.5."""
    lot = receive(works, act(), grams=2500, owner=works.brackwater)
    for side, value in (("house", "901.5"), ("counterparty", "900.5")):
        findings = {"Ag": Finding(Decimal(value), Decimal("0.3"))}
        report = AssayReport("gravimetric", works.laboratory, findings, side=side)
        record_assay(lot=lot, report=report, act=act(1))
    set_terms(
        customer=works.brackwater,
        form="",
        content=TERMS,
        valid_from=act(0).moment.date(),
        act=act(1, who=works.accountant),
    )
    return lot


def test_settlement_is_prepared_shown_and_needs_another_to_approve(
    lot: Lot, works: SimpleNamespace, browse_as: Callable[[object], Client]
) -> None:
    office = browse_as(works.accountant)
    address = reverse("settle", args=[lot.code])
    answer = office.post(address, {"key": "settle", "kind": "provisional"}, follow=True)
    settlement = Settlement.objects.get()
    document = settlement_statement(settlement)
    page = answer.content.decode()
    assert settlement.code in page
    assert display.ounces(document.payable[0].mass_ug) in page
    assert all(escape(line.line.label) in page for line in document.lines)
    own = office.post(reverse("settlement-approve", args=[settlement.code]), {"key": "own"})
    assert own.status_code == 403
    assert "same_person" in own.context["form"].errors.as_json()
    isolde = browse_as(works.isolde)
    assert isolde.get(reverse("settlement", args=[settlement.code])).status_code == 404
    manager = browse_as(works.manager)
    approve = reverse("settlement-approve", args=[settlement.code])
    assert manager.post(approve, {"key": "other"}).status_code == 302
    seen = isolde.get(reverse("settlement", args=[settlement.code]))
    assert seen.status_code == 200
    assert settlement.code in seen.content.decode()
    other = browse_as(works.dane).get(reverse("settlement", args=[settlement.code]))
    assert other.status_code == 404
    listed = manager.get(reverse("settlements")).content.decode()
    assert settlement.code in listed


def test_draft_is_withdrawn_with_its_reason(
    lot: Lot, works: SimpleNamespace, browse_as: Callable[[object], Client]
) -> None:
    office = browse_as(works.accountant)
    office.post(reverse("settle", args=[lot.code]), {"key": "settle", "kind": "provisional"})
    settlement = Settlement.objects.get()
    address = reverse("settlement-withdraw", args=[settlement.code])
    assert office.post(address, {"key": "why"}).context["form"].has_error("note", "required")
    assert office.post(address, {"key": "why", "note": "wrong lot"}).status_code == 302
    settlement.refresh_from_db()
    assert settlement.state == "withdrawn"


def test_lot_without_terms_is_refused(
    works: SimpleNamespace, act: Callable[..., Any], browse_as: Callable[[object], Client]
) -> None:
    lot = receive(works, act(), owner=works.pellow)
    counts = row_counts()
    office = browse_as(works.accountant)
    answer = office.post(reverse("settle", args=[lot.code]), {"key": "x", "kind": "final"})
    assert answer.status_code == 409
    assert "no_terms" in answer.context["form"].errors.as_json()
    assert row_counts() == counts


def test_answer_page_shows_where_and_what_is_payable(
    lot: Lot, works: SimpleNamespace, browse_as: Callable[[object], Client]
) -> None:
    page = browse_as(works.isolde).get(reverse("lot-answer", args=[lot.code])).content.decode()
    assert "Still in the lot as received" in page
    assert "2\u202f312.500 g" in page
    assert "What is payable" in page
    assert "local law" in page


def test_works_result_is_hidden_from_the_customer_until_results_are_exchanged(
    works: SimpleNamespace, act: Callable[..., Any], browse_as: Callable[[object], Client]
) -> None:
    lot = receive(works, act(), owner=works.brackwater)
    findings = {"Ag": Finding(Decimal("911.25"), Decimal("0.3"))}
    record_assay(lot=lot, report=AssayReport("gravimetric", works.laboratory, findings), act=act(1))
    address = reverse("lot-answer", args=[lot.code])
    assert "911.25" not in browse_as(works.isolde).get(address).content.decode()
    assert "911.25" in browse_as(works.operator).get(address).content.decode()


def test_customer_sees_their_own_account_only(
    lot: Lot, works: SimpleNamespace, browse_as: Callable[[object], Client]
) -> None:
    address = reverse("account", args=["brackwater"]) + "?month=2026-05"
    page = browse_as(works.isolde).get(address).content.decode()
    assert lot.code in page
    assert "2\u202f312.500 g" in page
    assert browse_as(works.dane).get(address).status_code == 404
    assert browse_as(works.operator).get(address).status_code == 200


def test_the_form_asks_for_what_the_terms_need(
    lot: Lot, works: SimpleNamespace, act: Callable[..., Any], browse_as: Callable[[object], Client]
) -> None:
    """Penalties may be for elements that are no metals of the books, such as bismuth."""
    office = browse_as(works.accountant)
    address = reverse("settle", args=[lot.code])
    plain = {"kind", "tax", "note", "key"}
    assert set(office.get(address).context["form"].fields) == plain
    penalty = {"element": "Bi", "limit_ppt": "0.5", "per_ppt_and_kg": "2"}
    set_terms(
        customer=works.brackwater,
        content=TERMS | {"weight_basis": "received_dry", "penalties": [penalty]},
        valid_from=act(0).moment.date(),
        act=act(2, who=works.accountant),
    )
    sent = {"kind": "provisional", "moisture_ppt": "8"}
    missing = office.post(address, {**sent, "key": "a"})
    assert missing.context["form"].has_error("impurities_bi", "impurity_missing")
    dry = office.post(address, {"kind": "provisional", "impurities_bi": "1.5", "key": "b"})
    assert dry.context["form"].has_error("moisture_ppt", "required")
    assert office.post(address, {**sent, "impurities_bi": "1.5", "key": "c"}).status_code == 302
    lines = {line["key"]: line["value"] for line in Settlement.objects.get().lines}
    # 2500 g less 8 parts per thousand; 1 part of bismuth too much at 2 a kilogram.
    assert (lines["weight"], lines["penalty_1"]) == ("2480.000000", "-4.96")
