"""What is done to one lot at the melt, the laboratory and the quarantine shelf."""

from __future__ import annotations

from typing import Any

from django import forms
from django.db.models import Model

from lots.ledger.recording import Act
from lots.models import Lot, Movement, Place
from lots.pages.bench_form import ActForm, choice_field, place_field
from lots.pages.form_fields import MassesByMetalField, MassField, VolumeField
from lots.pages.form_parts import OptionalWeight
from lots.pages.rearrange import OfLot, QuantityForm
from lots.people.roles import ASSAYING
from lots.services.melting import MELTED_FORMS, Melted, melt_lot
from lots.services.quarantine import quarantine_lot, release_lot
from lots.services.sampling import take_sample, use_up_sample
from lots.services.write_off import Cause


class MeltForm(OptionalWeight):
    form = choice_field(
        [(value, label) for value, label in Lot.Form.choices if value in MELTED_FORMS],
        label="What it is after the melt",
    )
    place = place_field(label="Where it is put")
    description = forms.CharField(max_length=200, required=False)
    lost = MassesByMetalField(
        label="Metal known to be lost in the melt",
        required=False,
        help_text="With its unit, as in 2.5 g; and say why below.",
    )
    cause = choice_field(Cause, label="Why it was lost", required=False)
    field_order = ["form", "gross", "tare", "balance", "place", "description"]


class MeltLot(OfLot):
    title = "Melt"
    lead = "The whole lot goes in. The loss of weight is kept; metals stay as booked until assayed."
    button = "Record the melt"
    done = "Melted. Label what came out, sample it and weigh it if that is not done."
    cautions = ("melt",)
    form_class = MeltForm

    def perform(self, act: Act, form: Any) -> Lot:
        data = form.cleaned_data
        melted = Melted(
            form=data["form"],
            place=data["place"],
            weight=form.weight(),
            lost_ug=data["lost"],
            cause=data["cause"],
            description=data["description"],
        )
        return melt_lot(lot=self.subject, melted=melted, act=act)


class SampleForm(QuantityForm):
    place = place_field(label="Where it goes")
    description = forms.CharField(max_length=200, required=False)

    def __init__(self, *args: Any, lot: Lot, **kwargs: Any) -> None:
        super().__init__(*args, lot=lot, **kwargs)
        self.fields["amount"] = (VolumeField if lot.is_liquid else MassField)(label="How much")
        place = self.fields["place"]
        assert isinstance(place, forms.ModelChoiceField)
        place.queryset = Place.objects.filter(is_active=True, area=Place.Area.LABORATORY)
        self.order_fields(["amount"])


class TakeSample(OfLot):
    title = "Take a sample"
    lead = "A sample is a lot of its own, at a place of the laboratory."
    button = "Take it"
    done = "The sample is a lot of its own. Label it."
    cautions = ("sample",)
    form_class = SampleForm

    def make_form(self, **kwargs: Any) -> ActForm:
        return SampleForm(lot=self.subject, **kwargs)

    def perform(self, act: Act, form: Any) -> Lot:
        data = form.cleaned_data
        return take_sample(
            lot=self.subject,
            place=data["place"],
            description=data["description"],
            act=act,
            **form.quantity(data["amount"]),
        )


class UseUpForm(ActForm):
    mass = MassField(label="How much", required=False, help_text="Leave it empty for all of it.")


class UseUpSample(OfLot):
    title = "Used up in the assay"
    button = "Record it"
    done = "What the assay used is off the books, against its own account."
    cautions = ("assay",)
    form_class = UseUpForm

    def perform(self, act: Act, form: Any) -> Movement:
        return use_up_sample(sample=self.subject, mass_ug=form.cleaned_data["mass"], act=act)


class AsideForm(ActForm):
    reason = forms.CharField(label="Why", max_length=200)
    place = place_field(label="Carried to", required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["note"]
        place = self.fields["place"]
        assert isinstance(place, forms.ModelChoiceField)
        place.empty_label = "it stays where it is"

    def act(self, who: Any) -> Act:
        self.cleaned_data["note"] = ""
        return super().act(who)


class Quarantine(OfLot):
    title = "Set aside"
    lead = "Nothing is made of it until it is released."
    button = "Set it aside"
    done = "In quarantine."
    form_class = AsideForm

    def perform(self, act: Act, form: Any) -> Model:
        data = form.cleaned_data
        return quarantine_lot(lot=self.subject, reason=data["reason"], place=data["place"], act=act)


class Release(OfLot):
    roles = ASSAYING
    title = "Release"
    button = "Release it"
    done = "It can be used again."
    form_class = AsideForm

    def perform(self, act: Act, form: Any) -> Model:
        data = form.cleaned_data
        return release_lot(lot=self.subject, reason=data["reason"], place=data["place"], act=act)
