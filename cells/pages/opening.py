"""An electrolyte in use and a bag that waited on the day the ledger begins."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django import forms
from django.db.models import Model
from django.utils import timezone

from cells.models import Cell
from cells.pages import run_forms
from cells.services.electrolytes import ElectrolyteMeasurement
from cells.services.open_bag import WaitingBag, open_bag
from cells.services.prepare_electrolyte import ElectrolyteInUse, open_electrolyte
from lots.ledger.recording import Act
from lots.pages.bench_form import ActForm, place_field
from lots.pages.form_fields import AmountsField, MassField
from lots.pages.opening import LEAD
from lots.pages.steps import BenchStep, receipt_address
from lots.people.roles import OFFICE


class OpenElectrolyteForm(run_forms.MeasurementForm):
    field_order = ["place", "cell", "use_number", "volume", "volume_u", "results", "method"]
    place = place_field(label="Where it stands")
    cell = forms.ModelChoiceField(
        Cell.objects.filter(is_active=True), required=False, help_text="If it stands in one."
    )
    use_number = forms.IntegerField(
        label="Which use it is in, or ready for",
        min_value=1,
        initial=1,
        widget=forms.NumberInput({"inputmode": "numeric"}),
    )
    description = forms.CharField(max_length=200, required=False)


class OpenElectrolyte(BenchStep):
    title = "An electrolyte in use"
    lead = f"{LEAD} Its volume and its assay in g/L say what it holds."
    button = "Put it on the books"
    done = "The electrolyte is on the books. Label its cell or carboy."
    section = "cells"
    roles = OFFICE
    cautions = ("run",)
    form_class = OpenElectrolyteForm

    def perform(self, act: Act, form: Any) -> Model:
        data = form.cleaned_data
        in_use = ElectrolyteInUse(
            place=data["place"],
            measurement=form.measurement() or ElectrolyteMeasurement(),
            use_number=data["use_number"],
            cell=data["cell"],
            description=data["description"],
        )
        return open_electrolyte(electrolyte=in_use, act=act)

    def after(self, recorded: Any) -> str:
        return receipt_address(recorded.lot)


class OpenBagForm(ActForm):
    place = place_field(label="Where it is")
    metals = AmountsField(
        label="What it should hold",
        help_text="The mass of each metal with its unit, and its standard uncertainty if known.",
    )
    mass = MassField(help_text="As it hangs; estimate it when it can't be weighed now.")
    bagged_on = forms.DateField(
        label="Waits since",
        required=False,
        widget=forms.DateInput({"type": "date"}),
        help_text="The day it was taken out of its cell.",
    )
    torn = forms.BooleanField(label="The bag is torn", required=False)
    description = forms.CharField(max_length=200, required=False)
    code = forms.CharField(
        label="Label it already bears",
        max_length=40,
        required=False,
        help_text="Only for a bag labelled by this works before.",
    )
    asked_as = {**ActForm.asked_as, "bagged_at": "bagged_on"}


class OpenBag(BenchStep):
    title = "A slimes bag that waited"
    lead = LEAD
    button = "Put it on the books"
    done = "The bag is on the books and waits for recovery. Label it and keep it wet."
    section = "slimes"
    roles = OFFICE
    cautions = ("slimes",)
    form_class = OpenBagForm

    def perform(self, act: Act, form: Any) -> Model:
        data = form.cleaned_data
        since = data["bagged_on"]
        bag = WaitingBag(
            place=data["place"],
            metals=data["metals"],
            mass_ug=data["mass"],
            bagged_at=timezone.make_aware(dt.datetime.combine(since, dt.time())) if since else None,
            description=data["description"],
            code=data["code"],
            torn=data["torn"],
        )
        return open_bag(bag=bag, act=act)

    def after(self, recorded: Any) -> str:
        return receipt_address(recorded.lot)
