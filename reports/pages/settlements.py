"""Settlements: the list, one with its lines and their evidence, and its steps."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django.contrib.auth.views import redirect_to_login
from django.db.models import Model
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.views.decorators.http import require_safe

from lots.fineness import WHOLE_PPT
from lots.ledger.recording import Act
from lots.models import Lot, Person
from lots.pages.bench_form import choice_field
from lots.pages.form_fields import FigureField
from lots.pages.steps import BenchStep
from lots.people.access import lot_for, party_looking, role_here, role_of, staff_page
from lots.people.roles import OFFICE
from reports.models import AccessRecord, Settlement, SettlementQuestion
from reports.pages.access_log import note_page
from reports.pages.month_steps import NotedForm, OfficeForm
from reports.queries.account_money import settlement_payments
from reports.queries.lot.lot_claim import customer_of
from reports.queries.lot.settlement_case import received_on, terms_for
from reports.queries.lot.settlement_statement import settlement_statement
from reports.queries.shared_links import SHOWN_STATES, is_open
from reports.services.settlement import (
    approve_settlement,
    prepare_settlement,
    withdraw_settlement,
)
from reports.terms import Terms, WeightBasis, parse_terms

LISTED_MAX = 200


def settlement_for(request: HttpRequest, code: str) -> Settlement:
    """Staff may see any; a customer their own, once it is approved."""
    settlements = Settlement.objects.select_related("lot", "customer")
    if role_here(request) == Person.Role.CUSTOMER:
        settlements = settlements.filter(customer=party_looking(request), state__in=SHOWN_STATES)
    return get_object_or_404(settlements, code=code.upper())


@staff_page
def settlement_list(request: HttpRequest) -> HttpResponse:
    settlements = Settlement.objects.select_related("lot", "customer")
    return render(
        request,
        "reports/settlements.html",
        {
            "section": "settlements",
            "settlements": settlements[:LISTED_MAX],
            "open_questions": SettlementQuestion.objects.filter(
                state=SettlementQuestion.State.OPEN
            ).count(),
            "is_office": role_of(request) in OFFICE,
        },
    )


@require_safe
def settlement_page(request: HttpRequest, code: str) -> HttpResponse:
    if not request.user.is_authenticated:
        return redirect_to_login(request.get_full_path())
    settlement = settlement_for(request, code)
    note_page(request, settlement.customer, AccessRecord.What.SETTLEMENT, settlement.code)
    is_shown = settlement.state in SHOWN_STATES
    return render(
        request,
        "reports/settlement.html",
        {
            "section": "settlements",
            "settlement": settlement,
            "document": settlement_statement(settlement),
            "money": settlement_payments(settlement) if is_shown else None,
            "superseded_by": settlement.superseded_by.filter(state__in=SHOWN_STATES).first(),
            "is_in_force": settlement.state == Settlement.State.APPROVED,
            "is_shown": is_shown,
            **office_view(settlement, role_of(request)),
        },
    )


def office_view(settlement: Settlement, role: str | None) -> dict[str, Any]:
    """What the people of the works see beside the statement: links, questions, what they may do."""
    if role is None or role == Person.Role.CUSTOMER:
        return {}
    is_office = role in OFFICE
    links = settlement.shared_links.select_related("created_by", "revoked_by")
    return {
        "is_staff": True,
        "is_office": is_office,
        "links": [(link, is_open(link)) for link in links] if is_office else [],
        "questions": SettlementQuestion.objects.filter(lot=settlement.lot_id),
    }


class PrepareForm(OfficeForm):
    """Asks for what the lot's terms need beside what is on record: moisture, penalised elements."""

    kind = choice_field(Settlement.Kind, label="Which", initial=Settlement.Kind.FINAL)
    tax = FigureField(
        label="Tax to add",
        required=False,
        minimum=None,
        help_text="An amount of money you worked out: this program gives no tax advice.",
    )
    asked_as = {**OfficeForm.asked_as, "moisture_ppt": "moisture", "lot": "kind"}

    def __init__(self, *args: Any, terms: Terms | None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.elements: dict[str, str] = {}
        for penalty in terms.penalties if terms else ():
            # In small letters, as a refusal of `impurities.Bi` finds the field.
            name = f"impurities_{penalty.element.lower()}"
            self.elements[name] = penalty.element
            self.fields[name] = FigureField(
                label=f"{penalty.element} found, ‰",
                required=False,
                maximum=WHOLE_PPT,
                help_text=f"The terms charge what is above {penalty.limit_ppt.normalize():f} ‰.",
            )
        if terms is not None and terms.weight_basis == WeightBasis.RECEIVED_DRY:
            self.fields["moisture"] = FigureField(
                label="Moisture of the weight received, ‰",
                maximum=WHOLE_PPT,
                help_text="The terms settle on the dry weight.",
            )

    def impurities_ppt(self) -> dict[str, Decimal]:
        found = {element: self.cleaned_data[name] for name, element in self.elements.items()}
        return {element: value for element, value in found.items() if value is not None}


class PrepareSettlement(BenchStep):
    title = "Prepare a settlement"
    lead = "Reckoned from what stands on record and the customer's terms. Nothing is posted yet."
    button = "Reckon it"
    done = "A draft. Somebody else approves it."
    section = "settlements"
    form_class = PrepareForm
    roles = OFFICE

    def find(self, request: HttpRequest, **path: Any) -> Lot:
        return lot_for(request, path["code"])

    def make_form(self, **kwargs: Any) -> PrepareForm:
        customer = customer_of(self.subject)
        contract = (
            terms_for(customer, self.subject.form, received_on(self.subject)) if customer else None
        )
        terms = parse_terms(contract.content) if contract else None
        return PrepareForm(terms=terms, **kwargs)

    def perform(self, act: Act, form: Any) -> Model:
        data = form.cleaned_data
        return prepare_settlement(
            lot=self.subject,
            kind=data["kind"],
            impurities_ppt=form.impurities_ppt() or None,
            tax=data["tax"],
            moisture_ppt=data.get("moisture"),
            act=act,
        )

    def after(self, recorded: Any) -> str:
        return reverse("settlement", args=[recorded.code])


class OfSettlement(BenchStep):
    section = "settlements"
    form_class = OfficeForm
    roles = OFFICE
    template_name = "reports/settlement_step.html"

    def find(self, request: HttpRequest, **path: Any) -> Settlement:
        return settlement_for(request, path["code"])

    def after(self, recorded: Any) -> str:
        return reverse("settlement", args=[recorded.code])


class ApproveSettlement(OfSettlement):
    title = "Approve a settlement"
    lead = (
        "Whoever prepared it cannot approve it. A final one settles the customer's claim. Terms of "
        "the contract and local law decide."
    )
    button = "Approve it"
    done = "Approved and in force."

    def perform(self, act: Act, form: Any) -> Model:
        return approve_settlement(settlement=self.subject, act=act)


class WithdrawSettlement(OfSettlement):
    title = "Withdraw a draft"
    button = "Drop it"
    done = "Withdrawn; its record stays."
    form_class = NotedForm

    def perform(self, act: Act, form: Any) -> Model:
        return withdraw_settlement(settlement=self.subject, act=act)
