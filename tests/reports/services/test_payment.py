"""Money paid and received: kept as given, taken back by a reversal, and on the account."""

from __future__ import annotations

from decimal import Decimal

import pytest
from django.db import IntegrityError, transaction

from lots import clock
from lots.measurements.assays import AssayReport, Finding, record_assay
from lots.services.ownership import change_owner
from reports.exports.account_statement import account_tables
from reports.models import Payment, Settlement
from reports.queries.account_money import settlement_payments
from reports.queries.account_statement import account_statement
from reports.services.payment import record_payment, reverse_payment
from reports.services.settlement import approve_settlement, prepare_settlement
from reports.services.terms import set_terms
from tests.builders import receive, row_counts
from tests.refused import refused
from tests.reports.exports.recalculated import assert_recalculates, needs_libreoffice

TERMS = {
    "currency": "EUR",
    "settle_in": "metal",
    "exchanged": False,
    "metals": [{"metal": "Ag", "splitting_limit_ppt": "2"}],
    "treatment": [{"per_kg": "41.3"}],
}


@pytest.fixture
def settled(works, act) -> Settlement:
    """Isolde is charged 103.25 EUR for the treatment of 2.5 kg."""
    lot = receive(works, act(0), grams=2500, owner=works.brackwater)
    findings = {"Ag": Finding(Decimal("925"), Decimal("0.3"))}
    record_assay(lot=lot, report=AssayReport("gravimetric", works.laboratory, findings), act=act(1))
    change_owner(lot=lot, owner=works.house, as_claim=True, act=act(1.5))
    set_terms(customer=works.brackwater, content=TERMS, act=act(0.5))
    draft = prepare_settlement(lot=lot, kind="final", act=act(2, who=works.accountant))
    with clock.at(act(3).moment):
        return approve_settlement(settlement=draft, act=act(3, who=works.manager))


@pytest.fixture
def pay(works, act):
    def record(hours: float, **given: object) -> Payment:
        plain = {
            "customer": works.brackwater,
            "direction": "received",
            "amount": Decimal("100.00"),
            "currency": "EUR",
        }
        key = str(given.pop("key", ""))
        return record_payment(act=act(hours, key=key, who=works.accountant), **plain | given)

    return record


def account_of(works, act, first=-1, last=10):
    return account_statement(works.brackwater, act(first).moment, act(last).moment)


def test_a_payment_against_a_settlement_leaves_the_rest_due(settled, works, act, pay):
    payment = pay(4, settlement=settled, reference="bank line 17", key="once")
    assert pay(4, settlement=settled, reference="bank line 17", key="once") == payment
    assert Payment.objects.count() == 1
    beside = settlement_payments(settled)
    assert (beside.due, beside.paid, beside.left) == (
        Decimal("-103.25"),
        Decimal("-100.00"),
        Decimal("-3.25"),
    )
    (euro,) = account_of(works, act).money
    assert [(line.code, line.amount, line.balance) for line in euro.lines][-1] == (
        payment.code,
        Decimal("100.00"),
        Decimal("-3.25"),
    )
    assert (euro.opening, euro.settled, euro.paid, euro.received, euro.closing) == (
        Decimal("0.00"),
        Decimal("-103.25"),
        Decimal("0.00"),
        Decimal("100.00"),
        Decimal("-3.25"),
    )


def test_a_wrong_payment_is_taken_back_and_both_stay(settled, works, act, pay):
    payment = pay(4, amount=Decimal("30.0005"), direction="paid")
    back = reverse_payment(payment=payment, act=act(5, note="typed twice", who=works.manager))
    assert (back.direction, back.amount, back.reverses) == ("received", payment.amount, payment)
    (euro,) = account_of(works, act).money
    assert [line.amount for line in euro.lines[1:]] == [Decimal("-30.0005"), Decimal("30.0005")]
    assert euro.closing == Decimal("-103.25")
    (before,) = account_of(works, act, last=4.5).money
    assert (before.paid, before.closing) == (Decimal("-30.0005"), Decimal("-133.2505"))
    with refused("already_reversed", "payment"):
        reverse_payment(payment=payment, act=act(6, note="again"))
    with refused("is_a_reversal", "payment"):
        reverse_payment(payment=back, act=act(6, note="again"))
    for change in (
        lambda: Payment.objects.update(amount=1),
        lambda: Payment.objects.all()._raw_delete("default"),
    ):
        with pytest.raises(IntegrityError, match="append-only"), transaction.atomic():
            change()


def test_a_period_opens_with_what_was_left_and_currencies_stand_apart(settled, works, act, pay):
    pay(4)
    pay(5, currency="GBP", amount=Decimal(7), direction="paid")
    euro, pounds = account_of(works, act, first=4.5).money
    assert (euro.currency, euro.opening, euro.lines, euro.closing) == (
        "EUR",
        Decimal("-3.25"),
        (),
        Decimal("-3.25"),
    )
    assert (pounds.opening, pounds.closing) == (Decimal("0.00"), Decimal("-7.00"))


def test_a_superseding_settlement_in_another_currency_takes_the_first_off(settled, works, act):
    set_terms(customer=works.brackwater, content=TERMS | {"currency": "GBP"}, act=act(0.5))
    second = prepare_settlement(lot=settled.lot, kind="final", act=act(4, who=works.accountant))
    approve_settlement(settlement=second, act=act(5, who=works.manager))
    closing = {each.currency: each.closing for each in account_of(works, act).money}
    assert closing == {"EUR": Decimal("0.00"), "GBP": Decimal("-103.25")}


@pytest.mark.parametrize(
    ("given", "code", "field"),
    [
        ({"amount": Decimal(0)}, "not_positive", "amount"),
        ({"amount": Decimal("-5")}, "not_positive", "amount"),
        ({"amount": Decimal("NaN")}, "not_a_number", "amount"),
        ({"amount": Decimal("1.00001")}, "too_many_digits", "amount"),
        ({"amount": Decimal("1e12")}, "too_large", "amount"),
        ({"currency": "euro"}, "unknown_currency", "currency"),
        ({"direction": "lent"}, "unknown_choice", "direction"),
        ({"reference": "x" * 121}, "too_long", "reference"),
    ],
)
def test_a_payment_that_cannot_be_is_refused(pay, given, code, field):
    with refused(code, field):
        pay(4, **given)


def test_a_payment_fits_its_customer_and_its_settlement(settled, works, act, pay):
    with refused("house_has_no_account", "customer"):
        pay(4, customer=works.house)
    with refused("not_their_settlement", "settlement"):
        pay(4, customer=works.pellow, settlement=settled)
    with refused("other_currency", "currency"):
        pay(4, settlement=settled, currency="GBP")
    with refused("in_the_future", "occurred_at"):
        pay(400)
    draft = prepare_settlement(lot=settled.lot, kind="final", act=act(4, who=works.accountant))
    with refused("not_approved", "settlement"):
        pay(5, settlement=draft)
    payment = pay(5)
    with refused("out_of_order", "occurred_at"):
        reverse_payment(payment=payment, act=act(4.5, note="early"))
    with refused("empty", "note"):
        reverse_payment(payment=payment, act=act(6))


def test_the_api_keeps_takes_back_and_lists_payments(settled, works, api_as, act):
    office, floor, isolde = map(api_as, (works.accountant, works.operator, works.isolde))
    body = {
        "customer": "brackwater",
        "settlement": settled.code,
        "direction": "received",
        "amount": "103.25",
        "currency": "EUR",
        "reference": "till",
    }
    before = row_counts()
    for client, status in ((floor, 403), (isolde, 403)):
        assert client.post("/api/v1/payments/record/", body).status_code == status
    assert row_counts() == before
    payment = office.post("/api/v1/payments/record/", body).json()
    assert (payment["settlement"], payment["amount"]) == (settled.code, "103.250000")
    address = f"/api/v1/payments/{payment['code']}"
    assert office.post(f"{address}/reverse/").json()["code"] == "empty"
    back = office.post(f"{address}/reverse/", {"note": "wrong lot"}).json()
    assert (back["reverses"], back["direction"]) == (payment["code"], "paid")
    assert floor.get(f"{address}/").json()["reversed_by"] == back["code"]
    assert isolde.get(f"{address}/").status_code == 403
    span = {"from_date": "2026-05-04", "to_date": "2026-05-04"}
    shown = isolde.get("/api/v1/reports/accounts/brackwater/", span).json()
    assert [line["what"] for line in shown["money"][0]["lines"]] == [
        "Final settlement",
        "Received from the customer",
        f"Takes back {payment['code']}",
    ]
    assert "Tax is left to the parties" in shown["money_rule"]
    kept = floor.get("/api/v1/payments/", {"reversed": "false", "direction": "received"}).json()
    assert kept["count"] == 0


@needs_libreoffice
@pytest.mark.libreoffice
def test_the_recalculated_account_equals_the_json(settled, works, act, pay, tmp_path):
    pay(4, settlement=settled)
    pay(5, amount=Decimal("12.34"), direction="paid")
    pay(6, amount=Decimal("7.01"), currency="GBP")
    receive(works, act(4), grams=100, owner=works.brackwater)
    tables = account_tables(account_of(works, act, first=2.5))
    assert tables[1].rows[-1]["amount"].value == Decimal("7.01")
    assert assert_recalculates(tables, tmp_path) > 30
