"""A run's steps at the cell, from charging it to closing it."""

from __future__ import annotations

from typing import Any

from django import forms
from django.db.models import Model
from django.http import HttpRequest
from django.shortcuts import get_object_or_404
from django.urls import reverse

from cells.models import CHARGED_FORMS, Cell, CellRun, CellWarning, RunReading
from cells.pages import run_forms
from cells.services.cell_warnings import acknowledge_warning, refresh_warnings
from cells.services.charge import Charge, charge_run
from cells.services.close_run import close_run
from cells.services.readings import record_reading, withdraw_reading
from cells.services.remnant import take_remnant
from cells.services.rinse_water import RinseWater, take_rinse_water
from cells.services.slimes_bag import BagTaken, bag_slimes
from cells.services.start_run import start_run
from cells.services.stop_run import stop_run
from lots.ledger.recording import Act
from lots.pages.bench_form import ActForm
from lots.pages.correct import ReasonForm
from lots.pages.steps import BenchStep, receipt_address


class ChargeCell(BenchStep):
    title = "Charge a cell"
    lead = "Customers' metal joins the works' pool here, and each gains a claim of the same mass."
    button = "Charge it"
    done = "Charged. Switch the current on when the basket hangs."
    section = "cells"
    cautions = ("charge",)
    form_class = run_forms.ChargeForm
    offered_forms = tuple(CHARGED_FORMS)
    template_name = "cells/cell_step.html"

    def find(self, request: HttpRequest, **path: Any) -> Cell:
        return get_object_or_404(Cell.objects.select_related("place"), code=path["code"])

    def initial(self, request: HttpRequest) -> dict[str, Any]:
        """Its latest electrolyte; a plan's address names one, and each lot with its portion."""
        planned = request.GET.get("electrolyte")
        batches = run_forms.electrolytes()
        named = batches.filter(lot__code=planned).first() if planned else None
        takes = [tuple(each.partition(":")[::2]) for each in request.GET.getlist("take")]
        latest = self.subject.electrolytes.order_by("-id").first()
        return {"electrolyte": named or latest, "charge": takes}

    def perform(self, act: Act, form: Any) -> CellRun:
        data = form.cleaned_data
        charge = Charge(
            cell=self.subject,
            electrolyte=data["electrolyte"],
            takes=data["charge"],
            acknowledge_copper=data["acknowledge_copper"],
            copper_reason=data["copper_reason"],
        )
        return charge_run(charge=charge, act=act)

    def after(self, recorded: Any) -> str:
        return reverse("run", args=[recorded.code])


class OfRun(BenchStep):
    """A step of one run, named in the address; afterwards the run's page or the lot's receipt."""

    section = "cells"
    template_name = "cells/run_step.html"

    def find(self, request: HttpRequest, **path: Any) -> CellRun:
        runs = CellRun.objects.select_related("cell", "charge_lot", "electrolyte__lot")
        return get_object_or_404(runs, code=path["code"].upper())

    def after(self, recorded: Any) -> str:
        return reverse("run", args=[self.subject.code])


class OfRunMakingLot(OfRun):
    def after(self, recorded: Any) -> str:
        return receipt_address(getattr(recorded, "movement", recorded))


class StartRun(OfRun):
    title = "Switch on"
    button = "The current is on"
    done = "The run has started."
    cautions = ("run",)
    form_class = run_forms.SwitchForm

    def perform(self, act: Act, form: Any) -> Model:
        return start_run(run=self.subject, first=form.instruments(), act=act)


class ReadCell(OfRun):
    title = "Read the cell"
    button = "Keep the reading"
    done = "The reading is kept."
    cautions = ("run",)
    form_class = run_forms.ReadingForm

    def perform(self, act: Act, form: Any) -> Model:
        return record_reading(run=self.subject, instruments=form.instruments(), act=act)


class WithdrawReading(BenchStep):
    title = "Withdraw a reading"
    lead = "It stays on record and says that it is wrong; the charge is counted without it."
    button = "It is wrong"
    done = "Withdrawn."
    section = "cells"
    cautions = ("run",)
    form_class = ReasonForm
    template_name = "cells/reading_step.html"

    def find(self, request: HttpRequest, **path: Any) -> RunReading:
        return get_object_or_404(RunReading.objects.select_related("run__cell"), pk=path["pk"])

    def perform(self, act: Act, form: Any) -> Model:
        reason = form.cleaned_data["reason"]
        return withdraw_reading(reading=self.subject, reason=reason, act=act)

    def after(self, recorded: Any) -> str:
        return reverse("run", args=[self.subject.run.code])


class StopRun(OfRun):
    title = "Switch off"
    lead = "The charge is counted from the readings up to now."
    button = "The current is off"
    done = "The run is stopped. Take the remnant first, then the bag, then the crystal."
    cautions = ("stop",)
    form_class = run_forms.SwitchForm

    def perform(self, act: Act, form: Any) -> Model:
        return stop_run(run=self.subject, last=form.instruments(), act=act)


class TakeRemnant(OfRunMakingLot):
    title = "Take the anode remnant"
    lead = "Undissolved feed, rinsed and dry. Its content is in proportion to the charge."
    button = "Take it"
    done = "The remnant is a lot of its own. Print its label."
    cautions = ("stop",)
    form_class = run_forms.RemnantForm

    def perform(self, act: Act, form: Any) -> Model:
        place = form.cleaned_data["place"]
        return take_remnant(run=self.subject, weight=form.weight(), place=place, act=act)


class BagSlimes(OfRunMakingLot):
    title = "Take the slimes bag"
    lead = "What it should hold is estimated by difference from the charge."
    button = "Bag them"
    done = "The bag is a lot of its own and waits for recovery. Label it and keep it wet."
    cautions = ("slimes",)
    form_class = run_forms.BagForm

    def perform(self, act: Act, form: Any) -> Model:
        data = form.cleaned_data
        bag = BagTaken(
            place=data["place"],
            weight=form.weight(),
            torn=data["torn"],
            kept_share=data["kept_share"],
        )
        return bag_slimes(run=self.subject, bag=bag, act=act)

    def after(self, recorded: Any) -> str:
        return receipt_address(recorded.lot)


class KeepRinseWater(OfRunMakingLot):
    title = "Keep the rinse water"
    button = "Keep it"
    done = "The rinse water is a lot of its own, for cementation."
    cautions = ("rinse",)
    form_class = run_forms.RinseForm

    def perform(self, act: Act, form: Any) -> Model:
        data = form.cleaned_data
        volume = form.volume_read()
        assert volume is not None, "the form demands a volume"
        water = RinseWater(
            volume=volume,
            place=data["place"],
            assay=form.report(),
            estimated=data["estimated"] or None,
        )
        return take_rinse_water(run=self.subject, water=water, act=act)


class CloseRun(OfRun):
    title = "Close the run"
    lead = (
        "Give the electrolyte as measured. Without a measurement its silver follows the charge "
        "balance. What is unaccounted for becomes the run's own difference."
    )
    button = "Close it"
    done = "Closed. The electrolyte is ready for its next use."
    cautions = ("make_up",)
    form_class = run_forms.MeasurementForm

    def perform(self, act: Act, form: Any) -> Model:
        return close_run(run=self.subject, measurement=form.measurement(), act=act)


class LookForWarnings(OfRun):
    title = "Look for warnings"
    lead = "Every rule is tried on the run as it stands now."
    button = "Look now"
    done = "Looked: the warnings below are as of now."
    cautions = ("run",)
    form_class = ActForm

    def perform(self, act: Act, form: Any) -> Model:
        return refresh_warnings(run=self.subject, act=act)


class AcknowledgeForm(ActForm):
    reason = forms.CharField(label="Why it may stand", max_length=200)


class AcknowledgeWarning(BenchStep):
    title = "A warning"
    button = "Seen, and it may stand"
    done = "Acknowledged; it stays on show until it has passed."
    section = "cells"
    cautions = ("run",)
    form_class = AcknowledgeForm
    template_name = "cells/warning_step.html"

    def find(self, request: HttpRequest, **path: Any) -> CellWarning:
        return get_object_or_404(CellWarning.objects.select_related("run__cell"), pk=path["pk"])

    def perform(self, act: Act, form: Any) -> Model:
        reason = form.cleaned_data["reason"]
        return acknowledge_warning(warning=self.subject, reason=reason, act=act)

    def after(self, recorded: Any) -> str:
        return reverse("run", args=[self.subject.run.code])
