"""An electrolyte's steps: prepared, measured, topped up, bled."""

from __future__ import annotations

from typing import Any

from django.db.models import Model
from django.http import HttpRequest
from django.shortcuts import get_object_or_404
from django.urls import reverse

from cells.models import ElectrolyteBatch
from cells.pages import run_forms
from cells.services.bleed import bleed_electrolyte
from cells.services.electrolytes import ElectrolyteMeasurement
from cells.services.measure_electrolyte import measure_electrolyte
from cells.services.prepare_electrolyte import MakeUp, prepare_electrolyte
from cells.services.top_up import Addition, top_up_electrolyte
from lots.ledger.recording import Act
from lots.models import Lot
from lots.pages.steps import BenchStep, receipt_address


class PrepareElectrolyte(BenchStep):
    title = "Prepare electrolyte"
    lead = "From lots dissolved and from supplies, with its measured volume."
    button = "Put it on the books"
    done = "The electrolyte is a lot of its own. Label its carboy."
    section = "cells"
    cautions = ("make_up",)
    form_class = run_forms.PrepareForm
    offered_forms = (Lot.Form.FINE_CRYSTAL, Lot.Form.SOLUTION, Lot.Form.CEMENT_SILVER)

    def perform(self, act: Act, form: Any) -> Model:
        data = form.cleaned_data
        volume = form.volume_read()
        assert volume is not None, "the form demands a volume"
        make_up = MakeUp(
            place=data["place"],
            volume=volume,
            takes=data["takes"],
            supplies_ug=data["supplies"],
            cell=data["cell"],
            description=data["description"],
        )
        return prepare_electrolyte(make_up=make_up, act=act)

    def after(self, recorded: Any) -> str:
        return receipt_address(recorded.lot)


class OfElectrolyte(BenchStep):
    """A step of one electrolyte, by its lot's code."""

    section = "cells"
    template_name = "cells/electrolyte_step.html"

    def find(self, request: HttpRequest, **path: Any) -> ElectrolyteBatch:
        batches = ElectrolyteBatch.objects.select_related("lot", "cell")
        return get_object_or_404(batches, lot__code=path["code"].upper())

    def after(self, recorded: Any) -> str:
        return receipt_address(recorded)


class MeasureElectrolyte(OfElectrolyte):
    title = "Measure the electrolyte"
    lead = "Volume, silver and copper in g/L, free acid: any of them. The book follows it."
    button = "Keep the measurement"
    done = "The measurement is kept."
    cautions = ("run",)
    form_class = run_forms.MeasurementForm

    def perform(self, act: Act, form: Any) -> Model:
        measured = form.measurement() or ElectrolyteMeasurement()
        return measure_electrolyte(batch=self.subject, measurement=measured, act=act)

    def after(self, recorded: Any) -> str:
        if recorded.movement is not None:
            return receipt_address(recorded.movement)
        return reverse("lot", args=[self.subject.lot.code])


class TopUp(OfElectrolyte):
    title = "Top up the electrolyte"
    button = "Add it"
    done = "Added."
    cautions = ("top_up",)
    form_class = run_forms.TopUpForm
    offered_forms = (Lot.Form.FINE_CRYSTAL, Lot.Form.SOLUTION, Lot.Form.CEMENT_SILVER)

    def perform(self, act: Act, form: Any) -> Model:
        data = form.cleaned_data
        addition = Addition(form.volume_read(), data["takes"], data["supplies"])
        return top_up_electrolyte(batch=self.subject, addition=addition, act=act)


class Bleed(OfElectrolyte):
    title = "Bleed the electrolyte"
    lead = "Taken out as a lot of solution, for cementation."
    button = "Take it out"
    done = "Bled: the solution is a lot of its own."
    cautions = ("bleed",)
    form_class = run_forms.BleedForm

    def perform(self, act: Act, form: Any) -> Model:
        volume = form.volume_read()
        assert volume is not None, "the form demands a volume"
        return bleed_electrolyte(
            batch=self.subject,
            volume=volume,
            place=form.cleaned_data["place"],
            assay=form.report(),
            act=act,
        )
