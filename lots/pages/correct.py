"""Putting right: a weighing's difference, an excess explained, a wrong measurement, a paper."""

from __future__ import annotations

from typing import Any, ClassVar

from django import forms
from django.db.models import Model
from django.http import HttpRequest
from django.shortcuts import get_object_or_404
from django.urls import reverse

from lots.ledger.recording import Act
from lots.measurements.excess import explain_excess
from lots.measurements.weighing_difference import post_weighing_difference
from lots.measurements.withdrawal import withdraw_assay, withdraw_measurement
from lots.models import Assay, Document, Excess, Measurement, Movement, Weighing
from lots.pages.bench_form import ActForm, choice_field
from lots.pages.rearrange import OfLot
from lots.pages.steps import BenchStep
from lots.people.roles import ASSAYING
from lots.services.documents import Filing, attach_document


class ReasonForm(ActForm):
    reason = forms.CharField(label="Why", max_length=200)


class OfLotsThing(BenchStep):
    """A step of something that belongs to a lot; afterwards the lot's page."""

    template_name = "lots/lots_thing_step.html"
    form_class: ClassVar[type[ActForm]] = ReasonForm

    def after(self, recorded: Any) -> str:
        if isinstance(recorded, Movement):
            return super().after(recorded)
        return reverse("lot", args=[self.subject.lot.code])


class PostWeighingDifference(OfLotsThing):
    title = "Bring the book to this weighing"
    lead = "The lot's weight becomes what was read; its metals follow in proportion."
    button = "Post the difference"
    done = "The difference is posted against its own account."

    def find(self, request: HttpRequest, **path: Any) -> Weighing:
        weighings = Weighing.objects.select_related("lot", "balance")
        return get_object_or_404(weighings, pk=path["pk"])

    def perform(self, act: Act, form: Any) -> Model:
        reason = form.cleaned_data["reason"]
        return post_weighing_difference(weighing=self.subject, reason=reason, act=act)


class WithdrawMeasurement(OfLotsThing):
    title = "Withdraw a measurement"
    lead = "It stays on record and says that it is wrong. What was posted by it is reversed apart."
    button = "It is wrong"
    done = "Withdrawn."

    def find(self, request: HttpRequest, **path: Any) -> Measurement:
        return get_object_or_404(Measurement.objects.select_related("lot"), pk=path["pk"])

    def perform(self, act: Act, form: Any) -> Model:
        reason = form.cleaned_data["reason"]
        return withdraw_measurement(measurement=self.subject, reason=reason, act=act)


class WithdrawAssay(OfLotsThing):
    title = "Withdraw an assay"
    lead = "It stays on record and says that it is wrong. One that rules is replaced first."
    button = "It is wrong"
    done = "Withdrawn."
    roles = ASSAYING

    def find(self, request: HttpRequest, **path: Any) -> Assay:
        return get_object_or_404(Assay.objects.select_related("lot"), pk=path["pk"])

    def perform(self, act: Act, form: Any) -> Model:
        return withdraw_assay(assay=self.subject, reason=form.cleaned_data["reason"], act=act)


class ExplainForm(ActForm):
    explanation = forms.CharField(
        label="Where the metal came from", max_length=500, widget=forms.Textarea({"rows": 3})
    )


class ExplainExcess(OfLotsThing):
    title = "Explain metal above the book"
    button = "Keep the explanation"
    done = "Explained. It stays on record."
    form_class = ExplainForm
    template_name = "lots/excess_step.html"

    def find(self, request: HttpRequest, **path: Any) -> Excess:
        excesses = Excess.objects.select_related("lot", "movement", "account")
        return get_object_or_404(excesses, pk=path["pk"])

    def perform(self, act: Act, form: Any) -> Model:
        explanation = form.cleaned_data["explanation"]
        return explain_excess(excess=self.subject, explanation=explanation, act=act)


class AttachForm(ActForm):
    file = forms.FileField(
        label="Photo or paper",
        help_text="PDF, PNG, JPEG or WebP.",
        widget=forms.ClearableFileInput({"accept": ".pdf,.png,.jpg,.jpeg,.webp"}),
    )
    name = forms.CharField(
        max_length=120, required=False, help_text="Leave it empty to keep the file's name."
    )
    kind = choice_field(
        Document.Kind, label="What it is", initial=Document.Kind.OTHER, required=False
    )
    retention_until = forms.DateField(
        label="Keep at least until",
        required=False,
        help_text="The last day it must be kept, if your law says one.",
        widget=forms.DateInput({"type": "date"}),
    )


class AttachDocument(OfLot):
    title = "Attach a photo or paper"
    button = "Attach it"
    done = "Attached."
    form_class = AttachForm

    def perform(self, act: Act, form: Any) -> Model:
        data = form.cleaned_data
        return attach_document(
            lot=self.subject,
            file=data["file"],
            name=data["name"],
            claimed_type=data["file"].content_type or "",
            filing=Filing(data["kind"] or Document.Kind.OTHER, data["retention_until"]),
            act=act,
        )
