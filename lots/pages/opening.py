"""What there was, and was owed, on the day the ledger begins: one lot or one claim a form."""

from __future__ import annotations

from typing import Any, Final

from django import forms

from lots.ledger.recording import Act
from lots.models import Lot, Movement, Party
from lots.pages.bench_form import ActForm, choice_field, party_field, place_field
from lots.pages.form_fields import AmountsField, MassesByMetalField, MassField, VolumeField
from lots.pages.steps import BenchStep
from lots.people.roles import OFFICE
from lots.services.opening import ON_THE_FIRST_DAY, Opening, open_claim, open_lot

# Electrolytes and slimes bags have forms of their own; what runs is opened as what it is made of.
_OPENED_ELSEWHERE: Final = {
    Lot.Form.IN_PROCESS,
    Lot.Form.ANODE_CHARGE,
    Lot.Form.ELECTROLYTE,
    Lot.Form.SLIMES_BAG,
}
_OPENED: Final = [
    (value, label) for value, label in Lot.Form.choices if value not in _OPENED_ELSEWHERE
]


class OpenLotForm(ActForm):
    field_order = ["form", "owner", "place", "mass", "volume", "metals", "content"]
    form = choice_field(_OPENED, label="What it is")
    owner = party_field((Party.Kind.HOUSE, Party.Kind.CUSTOMER), label="Whose it is")
    place = place_field(label="Where it stands")
    mass = MassField(positive=False, required=False, help_text="Of what is dry, with its unit.")
    volume = VolumeField(required=False, help_text="Of a solution, as in 11.5 l.")
    metals = AmountsField(
        label="Metal in it",
        required=False,
        help_text="The mass of each metal with its unit, and its standard uncertainty if known.",
    )
    content = choice_field(
        Lot.Content, label="What the content rests on", initial=Lot.Content.BY_DIFFERENCE
    )
    description = forms.CharField(max_length=200, required=False)
    received_from = party_field(label="Who it came from", required=False)
    code = forms.CharField(
        label="Label it already bears",
        max_length=40,
        required=False,
        help_text="Only for a lot labelled by this works before.",
    )


class OpenLot(BenchStep):
    title = "A lot that was there"
    lead = ON_THE_FIRST_DAY
    button = "Put it on the books"
    done = "It is on the books. Print its label."
    roles = OFFICE
    form_class = OpenLotForm

    def perform(self, act: Act, form: Any) -> Lot:
        data = form.cleaned_data
        opening = Opening(
            form=data["form"],
            owner=data["owner"],
            place=data["place"],
            metals=data["metals"],
            mass_ug=data["mass"] or 0,
            volume_ul=data["volume"] or 0,
            content=data["content"],
            description=data["description"],
            code=data["code"],
            received_from=data["received_from"],
        )
        return open_lot(opening=opening, act=act)


class OpenClaimForm(ActForm):
    owner = party_field((Party.Kind.CUSTOMER,), label="Whose claim it is")
    metals = MassesByMetalField(
        label="What they had in the pool", help_text="The mass of each metal, with its unit."
    )


class OpenClaim(BenchStep):
    title = "A claim that was owed"
    lead = f"{ON_THE_FIRST_DAY} No metal moves: the house's own position goes down by as much."
    button = "Put it on the books"
    done = "The claim is on the books."
    roles = OFFICE
    form_class = OpenClaimForm

    def perform(self, act: Act, form: Any) -> Movement:
        data = form.cleaned_data
        return open_claim(owner=data["owner"], metals=data["metals"], act=act)
