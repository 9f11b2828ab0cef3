"""Lots in motion on the floor: split, blended, carried to another place, written off."""

from __future__ import annotations

from typing import Any

from django import forms
from django.db.models import Model
from django.http import HttpRequest

from lots.ledger.recording import Act
from lots.models import Lot, Movement
from lots.pages.bench_form import ActForm, choice_field, place_field
from lots.pages.form_fields import MassField, TakesField, VolumeField
from lots.pages.steps import BenchStep
from lots.people.access import lot_for
from lots.services.blending import Blend, blend_lots
from lots.services.splitting import Part, split_lot
from lots.services.transfer import transfer_lot

PARTS_MAX = 4


class OfLot(BenchStep):
    """A step with one lot, named in the address."""

    def find(self, request: HttpRequest, **path: Any) -> Lot:
        return lot_for(request, path["code"])


class QuantityForm(ActForm):
    """How much of one lot: a mass, for a solution a volume; all of it when left empty."""

    amount: forms.Field

    def __init__(self, *args: Any, lot: Lot, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.is_liquid = lot.is_liquid

    def quantity(self, value: int | None) -> dict[str, int | None]:
        return {"volume_ul": value} if self.is_liquid else {"mass_ug": value}


class SplitForm(ActForm):
    """Up to four parts; what no part takes stays under the old label."""

    label_rest = forms.BooleanField(label="Give what is left a new label too", required=False)

    def __init__(self, *args: Any, lot: Lot, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.is_liquid = lot.is_liquid
        kind = VolumeField if lot.is_liquid else MassField
        for index in range(PARTS_MAX):
            name = f"part_{index + 1}"
            self.fields[name] = kind(label=f"Part {index + 1}", required=index == 0)
            place = place_field(label=f"Part {index + 1} is put", required=False)
            place.empty_label = "where the lot stands"
            self.fields[f"{name}_place"] = place
        named = [name for name in self.fields if name.startswith("part_")]
        self.order_fields([*named, "label_rest"])

    def parts(self) -> list[Part]:
        found = []
        for index in range(PARTS_MAX):
            amount = self.cleaned_data[f"part_{index + 1}"]
            if amount is None:
                continue
            place = self.cleaned_data[f"part_{index + 1}_place"]
            found.append(
                Part(volume_ul=amount, place=place)
                if self.is_liquid
                else Part(mass_ug=amount, place=place)
            )
        return found


class SplitLot(OfLot):
    title = "Split a lot"
    lead = "Each part gets its own label; every metal divides in proportion."
    button = "Split it"
    done = "Split. Print the new labels."
    form_class = SplitForm

    def make_form(self, **kwargs: Any) -> ActForm:
        return SplitForm(lot=self.subject, **kwargs)

    def perform(self, act: Act, form: Any) -> Movement:
        return split_lot(
            lot=self.subject,
            parts=form.parts(),
            label_rest=form.cleaned_data["label_rest"],
            act=act,
        )


class BlendForm(ActForm):
    inputs = TakesField(
        label="Lots that are blended",
        help_text="At least two. Leave the second box empty to take all of a lot.",
    )
    form = choice_field(Lot.Form, label="What the blend is", initial=Lot.Form.GRANULES)
    place = place_field(label="Where it is put")
    description = forms.CharField(max_length=200, required=False)
    keep_apart = forms.BooleanField(
        label="One owner's metal stays that owner's",
        initial=True,
        required=False,
        help_text="Several owners' metal joins the works' pool, and each gains a claim.",
    )


class BlendLots(BenchStep):
    title = "Blend lots"
    button = "Blend them"
    done = "Blended. Print the new label."
    cautions = ("melt",)
    form_class = BlendForm
    offered_forms = ()

    def perform(self, act: Act, form: Any) -> Model:
        data = form.cleaned_data
        return blend_lots(
            takes=data["inputs"],
            blend=Blend(data["form"], data["place"], data["description"]),
            keep_apart=data["keep_apart"],
            act=act,
        )


class TransferForm(ActForm):
    place = place_field(label="Where it goes")


class TransferLot(OfLot):
    title = "Carry to another place"
    button = "Record where it stands"
    done = "Its new place is recorded."
    form_class = TransferForm

    def perform(self, act: Act, form: Any) -> Movement:
        return transfer_lot(lot=self.subject, place=form.cleaned_data["place"], act=act)
