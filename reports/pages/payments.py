"""Payments: the list, one of them, and the forms that record one and take one back."""

from __future__ import annotations

from typing import Any, Final

from django import forms
from django.db.models import Model
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse

from lots.ledger.recording import Act
from lots.models import Party
from lots.pages.bench_form import ActForm, choice_field, party_field
from lots.pages.form_fields import FigureField
from lots.pages.lists import filtered, paged_address
from lots.people.access import role_of, staff_page
from lots.people.roles import OFFICE
from reports.api.payments import PaymentFilter
from reports.models import Payment, Settlement
from reports.pages.month_steps import NotedForm
from reports.pages.office_step import Crumb, OfficeStep
from reports.pages.settlements import settlement_for
from reports.queries.account_money import exact, settlement_payments, what_of
from reports.services.payment import (
    AMOUNT_DECIMALS,
    REFERENCE_MAX,
    record_payment,
    reverse_payment,
)

FILTERS_FIRST: Final = ("customer", "currency", "paid_after", "paid_before")
_SHOWN: Final = ("customer", "settlement__lot", "reverses", "reversed_by", "recorded_by")


@staff_page
def payment_list(request: HttpRequest) -> HttpResponse:
    chosen, page = filtered(request, PaymentFilter, Payment.objects.select_related(*_SHOWN))
    return render(
        request,
        "reports/payments.html",
        {
            "section": "settlements",
            "filter": chosen,
            "first_filters": FILTERS_FIRST,
            "page": page,
            "rows": [(each, what_of(each), exact(each.change)) for each in page.object_list],
            "query": paged_address(request),
            "is_office": role_of(request) in OFFICE,
        },
    )


@staff_page
def payment_page(request: HttpRequest, code: str) -> HttpResponse:
    payment = get_object_or_404(Payment.objects.select_related(*_SHOWN), code=code.upper())
    is_open = not payment.is_reversed and payment.reverses is None
    return render(
        request,
        "reports/payment.html",
        {
            "section": "settlements",
            "payment": payment,
            "what": what_of(payment),
            "can_reverse": is_open and role_of(request) in OFFICE,
        },
    )


class SettlementField(forms.CharField):
    """A settlement by its code."""

    def __init__(self, **kwargs: Any) -> None:
        widget = forms.TextInput({"autocomplete": "off", "spellcheck": "false"})
        super().__init__(max_length=20, widget=widget, **kwargs)

    def clean(self, value: Any) -> Settlement | None:
        code = super().clean(value).strip().upper()
        if not code:
            return None
        found = Settlement.objects.filter(code=code).first()
        if found is None:
            raise forms.ValidationError("There is no settlement of this code.", code="unknown")
        return found


class PaymentForm(ActForm):
    customer = party_field(("customer", "supplier"), to_field_name="code")
    direction = choice_field(Payment.Direction, label="Who paid")
    amount = FigureField(decimals_max=AMOUNT_DECIMALS, help_text="Above zero, as it was paid.")
    currency = forms.CharField(max_length=3, help_text="Three capital letters, as in EUR.")
    settlement = SettlementField(
        required=False, label="By settlement", help_text="Empty for a payment on account."
    )
    reference = forms.CharField(
        required=False,
        max_length=REFERENCE_MAX,
        help_text="What the bank's statement or the receipt calls it.",
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["occurred_at"].label = "When it was paid"


class RecordPayment(OfficeStep):
    title = "Record a payment"
    lead = (
        "Money that was paid already: nothing is sent by this. It enters the customer's account; "
        "tax is yours to reckon, by local law."
    )
    button = "Record it"
    done = "The payment is recorded."
    form_class = PaymentForm
    back = ("Payments", "payments")

    def initial(self, request: HttpRequest) -> dict[str, Any]:
        return {}

    def perform(self, act: Act, form: Any) -> Model:
        data = form.cleaned_data
        names = ("customer", "direction", "amount", "currency", "settlement", "reference")
        return record_payment(**{name: data[name] for name in names}, act=act)

    def after(self, recorded: Any) -> str:
        return reverse("payment", args=[recorded.code])


class PayCustomer(RecordPayment):
    """On account of the customer in the address."""

    def find(self, request: HttpRequest, **path: Any) -> Party:
        customers = Party.objects.exclude(kind=Party.Kind.HOUSE)
        return get_object_or_404(customers, code=path["code"])

    def crumbs(self) -> list[Crumb]:
        return [Crumb(str(self.subject), reverse("account", args=[self.subject.code]))]

    def initial(self, request: HttpRequest) -> dict[str, Any]:
        return {"customer": self.subject.code}


class PaySettlement(RecordPayment):
    """What is left to pay by the settlement in the address."""

    def find(self, request: HttpRequest, **path: Any) -> Settlement:
        return settlement_for(request, path["code"])

    def crumbs(self) -> list[Crumb]:
        code = self.subject.code
        return [Crumb(code, reverse("settlement", args=[code]), is_code=True)]

    def initial(self, request: HttpRequest) -> dict[str, Any]:
        settlement: Settlement = self.subject
        left = settlement_payments(settlement).left
        way = Payment.Direction.PAID if left > 0 else Payment.Direction.RECEIVED
        return {
            "customer": settlement.customer.code,
            "settlement": settlement.code,
            "currency": settlement.currency,
            **({"direction": way, "amount": f"{abs(left):f}"} if left else {}),
        }


class TakeBackForm(NotedForm):
    asked_as = {**NotedForm.asked_as, "payment": "note"}


class ReversePayment(OfficeStep):
    title = "Take a payment back"
    lead = "Its opposite is recorded beside it; both stay on the account."
    button = "Take it back"
    done = "Taken back."
    form_class = TakeBackForm
    back = ("Payments", "payments")

    def find(self, request: HttpRequest, **path: Any) -> Payment:
        return get_object_or_404(Payment, code=path["code"].upper())

    def crumbs(self) -> list[Crumb]:
        code = self.subject.code
        return [Crumb(code, reverse("payment", args=[code]), is_code=True)]

    def perform(self, act: Act, form: Any) -> Model:
        return reverse_payment(payment=self.subject, act=act)

    def after(self, recorded: Any) -> str:
        return reverse("payment", args=[recorded.code])
