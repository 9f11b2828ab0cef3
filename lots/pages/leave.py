"""A lot leaves the works or changes hands; a claim is settled."""

from __future__ import annotations

from typing import Any

from django import forms
from django.http import HttpRequest

from lots.ledger.recording import Act
from lots.models import Lot, Movement
from lots.pages.bench_form import ActForm, party_field
from lots.pages.form_fields import MassesByMetalField
from lots.pages.form_parts import OptionalWeight
from lots.pages.rearrange import OfLot
from lots.pages.steps import BenchStep
from lots.people.roles import OFFICE
from lots.services.ownership import change_owner, settle_claim
from lots.services.shipping import return_to_customer, ship_lot


class ShipForm(OptionalWeight):
    to = party_field(("customer", "supplier", "laboratory"), label="Who it goes to")
    field_order = ["to"]


class ShipLot(OfLot):
    title = "Ship"
    lead = "The whole lot leaves. Split it first to send a part."
    button = "It has left"
    done = "Shipped."
    cautions = ("ship",)
    form_class = ShipForm

    def perform(self, act: Act, form: Any) -> Movement:
        to = form.cleaned_data["to"]
        return ship_lot(lot=self.subject, to=to, weight=form.weight(), act=act)


class ReturnForm(OptionalWeight):
    customer = party_field(("customer",), label="Whose metal goes back")
    field_order = ["customer"]


class ReturnLot(OfLot):
    title = "Return to a customer"
    lead = "Their own lot kept apart, or one of the house's against what they are owed."
    button = "It has been returned"
    done = "Returned."
    cautions = ("ship",)
    form_class = ReturnForm

    def initial(self, request: HttpRequest) -> dict[str, Any]:
        lot: Lot = self.subject
        return {} if lot.owner.is_house else {"customer": lot.owner.pk}

    def perform(self, act: Act, form: Any) -> Movement:
        customer = form.cleaned_data["customer"]
        return return_to_customer(
            lot=self.subject, customer=customer, weight=form.weight(), act=act
        )


class OwnerForm(ActForm):
    owner = party_field(("customer", "house", "supplier"), label="Who owns it from now on")
    as_claim = forms.BooleanField(
        label="Against the customer's claim on the works' pool, not bought or sold",
        required=False,
    )


class ChangeOwner(OfLot):
    title = "Change of owner"
    lead = "Contracts and local law decide when title passes; this records that it did."
    button = "Record the new owner"
    done = "The new owner is recorded."
    form_class = OwnerForm
    roles = OFFICE

    def perform(self, act: Act, form: Any) -> Movement:
        data = form.cleaned_data
        return change_owner(
            lot=self.subject, owner=data["owner"], as_claim=data["as_claim"], act=act
        )


class ClaimForm(ActForm):
    owner = party_field(("customer",), label="Whose claim")
    metals = MassesByMetalField(
        label="Metal taken off it", help_text="With its unit: 250 g, 8 ozt."
    )
    to = party_field(("customer",), label="Passed to the claim of", required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        to = self.fields["to"]
        assert isinstance(to, forms.ModelChoiceField)
        to.empty_label = "nobody: the house buys it"


class SettleClaim(BenchStep):
    title = "Settle a claim"
    lead = "No metal moves: what is owed does. Prices and tax are for the contract and local law."
    button = "Take it off the claim"
    done = "The claim is lower by as much."
    form_class = ClaimForm
    roles = OFFICE

    def perform(self, act: Act, form: Any) -> Movement:
        data = form.cleaned_data
        return settle_claim(owner=data["owner"], metals=data["metals"], to=data["to"], act=act)
