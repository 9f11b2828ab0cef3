"""Payments and prices by their forms, and a customer's account with both."""

from __future__ import annotations

from decimal import Decimal

import pytest
from django.urls import reverse

from reports.models import MetalPrice, Payment
from tests.builders import row_counts


@pytest.fixture
def office(works, browse_as):
    return browse_as(works.accountant)


def test_what_is_left_by_a_settlement_is_paid_and_taken_back(office, works, browse_as, in_force):
    address = reverse("settlement-pay", args=[in_force.code])
    begun = office.get(address).context["form"].initial
    given = {name: begun[name] for name in ("customer", "currency", "direction")}
    assert (begun["direction"], Decimal(begun["amount"])) == ("received", -in_force.total)
    sent = {**given, "amount": begun["amount"], "reference": "till 9", "key": "pay"}
    for _ in range(2):
        answer = office.post(address, sent)
        assert answer.status_code == 302
    payment = Payment.objects.get()
    page = office.get(reverse("settlement", args=[in_force.code])).content.decode()
    assert payment.code in page
    assert "left to pay <b>0.00 EUR</b>" in page
    account = reverse("account", args=["brackwater"]) + "?month=2026-05"
    isolde = browse_as(works.isolde)
    for browser in (office, isolde):
        assert "till 9" in browser.get(account).content.decode()
    assert payment.code in isolde.get(reverse("settlement", args=[in_force.code])).content.decode()
    assert isolde.get(reverse("payment", args=[payment.code])).status_code == 404
    assert browse_as(works.dane).get(account).status_code == 404
    back = reverse("payment-reverse", args=[payment.code])
    assert office.post(back, {"key": "b"}).context["form"].has_error("note", "required")
    assert office.post(back, {"key": "b", "note": "typed twice"}).status_code == 302
    listed = browse_as(works.operator).get(reverse("payments")).content.decode()
    assert "taken back" in listed
    assert f"Takes back {payment.code}" in listed
    assert (
        "left to pay <b>"
        in office.get(reverse("settlement", args=[in_force.code])).content.decode()
    )


def test_a_payment_that_does_not_fit_is_refused_beside_its_field(office, works, in_force):
    address = reverse("payment-record")
    good = {
        "customer": works.brackwater.pk,
        "settlement": in_force.code,
        "currency": "EUR",
        "direction": "paid",
        "amount": "1",
    }
    before = row_counts()
    for number, (changed, field, status) in enumerate(
        [
            ({"currency": "GBP"}, "currency", 400),
            ({"settlement": "ST26-9999-9"}, "settlement", 400),
            ({"customer": works.pellow.pk}, "settlement", 400),
            ({"amount": "0"}, "amount", 400),
        ]
    ):
        answer = office.post(address, {**good, **changed, "key": f"bad-{number}"})
        assert (answer.status_code, answer.context["form"].has_error(field)) == (status, True)
    assert row_counts() == before


def test_a_payment_on_account_is_of_the_customer_in_the_address(office, in_force):
    address = reverse("account-pay", args=["brackwater"])
    sent = {"currency": "EUR", "direction": "paid", "amount": "1"}
    refused = office.post(address, {**sent, "currency": "eur", "key": "bad"})
    assert refused.context["form"].has_error("currency")
    assert (
        office.post(address, {**sent, "settlement": in_force.code, "key": "a"}).status_code == 302
    )
    payment = Payment.objects.get()
    assert (payment.customer.code, payment.settlement) == ("brackwater", in_force)
    assert office.get(reverse("account-pay", args=["tern-quay"])).status_code == 404


def test_a_price_is_entered_with_the_table_shown(office, works, browse_as):
    address = reverse("price-record")
    sent = {
        "metal": "Ag",
        "per_unit": "ozt",
        "price": "31.25",
        "currency": "EUR",
        "from_date": "2026-05-04",
        "source": "Morning sheet",
    }
    assert office.post(address, {**sent, "key": "price"}).status_code == 302
    assert MetalPrice.objects.get().price == Decimal("31.25")
    again = office.post(address, {**sent, "key": "other"})
    assert (again.status_code, again.context["form"].has_error("from_date")) == (409, True)
    assert "Morning sheet" in again.content.decode()
    floor = browse_as(works.operator)
    assert "31.25 EUR" in floor.get(reverse("prices")).content.decode()
    assert floor.get(address).status_code == 403
    assert browse_as(works.isolde).get(reverse("prices")).status_code == 404
