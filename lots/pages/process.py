"""Process batches: what is open, and each of its steps: start, add, take out, close."""

from __future__ import annotations

from typing import Any

from django import forms
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse

from lots.ledger.holdings import holding
from lots.ledger.recording import Act
from lots.measurements.outputs import Output
from lots.models import Assay, Lot, Movement, ProcessBatch
from lots.pages.bench_form import ActForm, choice_field, place_field
from lots.pages.form_fields import FinenessField, MassesByMetalField, TakesField
from lots.pages.form_parts import OptionalAssay, OptionalVolume, OptionalWeight
from lots.pages.steps import BenchStep
from lots.people.access import staff_page
from lots.queries.lifeline import lifeline
from lots.services.process_batches import (
    Inputs,
    add_inputs,
    close_batch,
    record_output,
    start_batch,
)

# Which safety texts stand beside which kind of process.
CAUTIONS: dict[str, tuple[str, ...]] = {
    ProcessBatch.Kind.PARTING: ("parting",),
    ProcessBatch.Kind.DISSOLUTION: ("dissolution",),
    ProcessBatch.Kind.CEMENTATION: ("cementation",),
    ProcessBatch.Kind.SLIMES_RECOVERY: ("recovery",),
    ProcessBatch.Kind.GRANULATING: ("melt",),
    ProcessBatch.Kind.FINE_MELT: ("fine_melt",),
    ProcessBatch.Kind.MELT: ("melt",),
    ProcessBatch.Kind.OTHER: ("waste",),
}


class InputsForm(ActForm):
    inputs = TakesField(
        label="Lots that go in", help_text="Leave the second box empty to take all of a lot."
    )
    supplies = MassesByMetalField(
        label="Metal from supplies",
        required=False,
        help_text="Such as the copper put in to cement silver, with its unit.",
    )


class StartForm(InputsForm):
    kind = choice_field(ProcessBatch.Kind, label="What is done")
    place = place_field(label="Where")
    keep_apart = forms.BooleanField(
        label="One customer's metal stays that customer's", initial=True, required=False
    )
    field_order = ["kind", "place"]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.order_fields(["kind", "place", "inputs", "supplies", "keep_apart"])


class StartBatch(BenchStep):
    title = "Start a process"
    lead = "Its inputs leave their lots and stand in the batch's vessel until it is closed."
    button = "Start it"
    done = "Started."
    form_class = StartForm
    offered_forms = ()

    @property
    def cautions(self) -> tuple[str, ...]:  # type: ignore[override]
        kind = self.request.POST.get("kind") or self.request.GET.get("kind") or ""
        return CAUTIONS.get(kind, ("parting", "melt"))

    def perform(self, act: Act, form: Any) -> ProcessBatch:
        data = form.cleaned_data
        return start_batch(
            kind=data["kind"],
            place=data["place"],
            inputs=Inputs(data["inputs"], data["supplies"]),
            keep_apart=data["keep_apart"],
            act=act,
        )

    def after(self, recorded: Any) -> str:
        return reverse("batch", args=[recorded.code])


class OfBatch(BenchStep):
    """A step of one batch, named in the address."""

    template_name = "lots/batch_step.html"

    @property
    def cautions(self) -> tuple[str, ...]:  # type: ignore[override]
        return CAUTIONS[self.subject.kind]

    def find(self, request: HttpRequest, **path: Any) -> ProcessBatch:
        batches = ProcessBatch.objects.select_related("vessel__owner")
        return get_object_or_404(batches, code=path["code"].upper())

    def after(self, recorded: Any) -> str:
        if isinstance(recorded, ProcessBatch):
            return reverse("batch", args=[recorded.code])
        return super().after(recorded)


class AddInputs(OfBatch):
    title = "Add to the batch"
    button = "Add it"
    done = "Added."
    form_class = InputsForm
    offered_forms = ()

    def perform(self, act: Act, form: Any) -> Movement:
        data = form.cleaned_data
        inputs = Inputs(data["inputs"], data["supplies"])
        return add_inputs(batch=self.subject, inputs=inputs, act=act)


class OutputForm(OptionalWeight, OptionalVolume, OptionalAssay):
    """What came out, weighed or measured, and what its content rests on."""

    form = choice_field(Lot.Form, label="What it is")
    place = place_field(label="Where it is put")
    basis = choice_field(Assay.Basis, label="Results are in", initial=Assay.Basis.FINENESS)  # type: ignore[assignment]
    declared = FinenessField(
        label="Or a content taken as given", required=False, help_text="Parts per thousand (‰)."
    )
    estimated = MassesByMetalField(
        label="Or an estimate",
        required=False,
        help_text="Masses with their unit, for what is taken out without being assayed.",
    )
    description = forms.CharField(max_length=200, required=False)
    field_order = [
        "form",
        "place",
        "gross",
        "tare",
        "balance",
        "volume",
        "volume_u",
        "results",
        "basis",
    ]

    def output(self) -> Output:
        data = self.cleaned_data
        return Output(
            form=data["form"],
            place=data["place"],
            weight=self.weight(),
            volume=self.volume_read(),
            assay=self.report(),
            declared=data["declared"] or None,
            estimated=data["estimated"] or None,
            description=data["description"],
        )


class TakeOutput(OfBatch):
    title = "Take something out"
    lead = "Weighed or measured by volume; its content assayed, taken as given, or estimated."
    button = "Take it out"
    done = "Taken out. Print its label."
    form_class = OutputForm

    def perform(self, act: Act, form: Any) -> Lot:
        return record_output(batch=self.subject, output=form.output(), act=act)


class CloseBatch(OfBatch):
    title = "Close the batch"
    lead = (
        "What the vessel still holds by the book becomes the batch's difference: positive is "
        "metal that went in and was not found again."
    )
    button = "Close it"
    done = "Closed."
    form_class = ActForm

    def perform(self, act: Act, form: Any) -> ProcessBatch:
        return close_batch(batch=self.subject, act=act)


@staff_page
def batch_page(request: HttpRequest, code: str) -> HttpResponse:
    batches = ProcessBatch.objects.select_related("vessel__owner", "vessel__place")
    batch = get_object_or_404(batches, code=code.upper())
    return render(
        request,
        "lots/batch.html",
        {
            "section": "batches",
            "batch": batch,
            "held": holding(batch.vessel),
            "lifeline": lifeline(batch.vessel),
            "steps": CAUTIONS[batch.kind],
        },
    )


@staff_page
def batch_list(request: HttpRequest) -> HttpResponse:
    batches = ProcessBatch.objects.select_related("vessel__owner", "vessel__place")
    return render(
        request,
        "lots/batch_list.html",
        {
            "section": "batches",
            "open": batches.filter(state=ProcessBatch.State.OPEN),
            "closed": batches.filter(state=ProcessBatch.State.CLOSED)[:50],
        },
    )
