"""A lot at the door."""

from __future__ import annotations

from typing import Any

from django import forms

from lots.models import Lot
from lots.pages.bench_form import WeightForm, choice_field, party_field, place_field
from lots.pages.form_fields import FinenessField
from lots.pages.steps import BenchStep
from lots.services.posting import house
from lots.services.receipt import Receipt, receive_lot
from lots.services.recording import Act

_COMES_IN = [
    (value, label)
    for value, label in Lot.Form.choices
    if value not in {Lot.Form.IN_PROCESS, Lot.Form.ANODE_CHARGE, Lot.Form.ELECTROLYTE}
]


class ReceiveForm(WeightForm):
    field_order = [
        "party",
        "bought",
        "form",
        "description",
        "gross",
        "tare",
        "balance",
        "place",
        "declared",
        "code",
    ]
    asked_as = {**WeightForm.asked_as, "fineness": "declared"}
    party = party_field(("customer", "supplier"), label="Who brought it")
    bought = forms.BooleanField(
        label="Bought outright: it is the house's metal from now on", required=False
    )
    form = choice_field(_COMES_IN, label="What it is", initial=Lot.Form.FEED)
    description = forms.CharField(
        max_length=200, required=False, help_text="What it looks like, in a few words."
    )
    place = place_field(label="Where it is put")
    declared = FinenessField(
        label="Content as the sender declares it",
        required=False,
        help_text="Parts per thousand (‰) of each metal. It is provisional until an assay rules.",
    )
    code = forms.CharField(
        label="Label it already bears",
        max_length=40,
        required=False,
        help_text="Only for a lot labelled by this works before.",
    )


class ReceiveLot(BenchStep):
    title = "Receive a lot"
    lead = "Weigh it as it came, before anything is done to it."
    button = "Receive it"
    done = "Received. Print its label and stick it on before you set it down."
    cautions = ("receive",)
    form_class = ReceiveForm

    def perform(self, act: Act, form: Any) -> Lot:
        data = form.cleaned_data
        owner = house() if data["bought"] else data["party"]
        receipt = Receipt(
            party=data["party"],
            owner=owner,
            form=data["form"],
            place=data["place"],
            weight=form.weight(),
            declared=data["declared"],
            description=data["description"],
            code=data["code"],
        )
        return receive_lot(receipt=receipt, act=act)
