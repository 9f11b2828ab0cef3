"""Weighing a lot, keeping a laboratory's report of it, and saying which report rules."""

from __future__ import annotations

from typing import Any

from django import forms
from django.db.models import Model
from django.http import HttpRequest
from django.shortcuts import get_object_or_404
from django.urls import reverse

from lots.ledger.recording import Act
from lots.measurements.assays import AssayReport, record_assay
from lots.measurements.rulings import rule_assay
from lots.measurements.weighings import record_weighing
from lots.models import Assay, Party, Weighing
from lots.pages.bench_form import ActForm, WeightForm, choice_field, party_field
from lots.pages.form_fields import FindingsField
from lots.pages.steps import BenchStep
from lots.people.access import lot_for
from lots.people.roles import ASSAYING


class WeighForm(WeightForm):
    purpose = choice_field(Weighing.Purpose, label="Why", initial=Weighing.Purpose.CHECK)


class WeighLot(BenchStep):
    title = "Weigh a lot"
    lead = "A weighing by itself changes nothing on the books; it is kept beside the lot."
    button = "Keep the weighing"
    done = "The weighing is kept."
    form_class = WeighForm

    def find(self, request: HttpRequest, **path: Any) -> Any:
        return lot_for(request, path["code"])

    def perform(self, act: Act, form: Any) -> Model:
        purpose = form.cleaned_data["purpose"]
        return record_weighing(lot=self.subject, weight=form.weight(), purpose=purpose, act=act)


class AssayForm(ActForm):
    method = choice_field(Assay.Method)
    laboratory = party_field(label="Laboratory")
    side = choice_field(Assay.Side, label="Whose result it is", initial=Assay.Side.HOUSE)
    basis = choice_field(Assay.Basis, label="Results are in", initial=Assay.Basis.FINENESS)
    results = FindingsField(
        help_text="Each metal's result and its standard uncertainty, both in the same unit."
    )
    certificate = forms.CharField(max_length=80, required=False)

    def report(self) -> AssayReport:
        data = self.cleaned_data
        return AssayReport(
            method=data["method"],
            laboratory=data["laboratory"],
            findings=data["results"],
            side=data["side"],
            basis=data["basis"],
            certificate=data["certificate"],
        )


class AssayLot(BenchStep):
    title = "Enter an assay"
    lead = "The report is kept beside the lot. It changes the books when someone lets it rule."
    button = "Keep the report"
    done = "The report is kept. Let it rule if it is the one that counts."
    cautions = ("assay",)
    form_class = AssayForm

    def find(self, request: HttpRequest, **path: Any) -> Any:
        return lot_for(request, path["code"])

    def initial(self, request: HttpRequest) -> dict[str, Any]:
        liquid = {"basis": Assay.Basis.CONCENTRATION} if self.subject.is_liquid else {}
        only = list(Party.objects.filter(kind=Party.Kind.LABORATORY, is_active=True)[:2])
        return {**({"laboratory": only[0].pk} if len(only) == 1 else {}), **liquid}

    def perform(self, act: Act, form: Any) -> Model:
        return record_assay(lot=self.subject, report=form.report(), act=act)


class RuleForm(ActForm):
    reason = forms.CharField(label="Why this one counts", max_length=200)


class RuleAssay(BenchStep):
    title = "Let an assay rule"
    lead = (
        "The lot's content becomes what this report says. Metal that has moved on carries its "
        "share of the difference to where it is now."
    )
    button = "Let it rule"
    done = "This report rules the lot's content from now on."
    form_class = RuleForm
    roles = ASSAYING
    template_name = "lots/rule_assay.html"

    def find(self, request: HttpRequest, **path: Any) -> Any:
        assays = Assay.objects.select_related("lot", "laboratory").prefetch_related("results")
        return get_object_or_404(assays, pk=path["pk"])

    def perform(self, act: Act, form: Any) -> Model:
        return rule_assay(assay=self.subject, reason=form.cleaned_data["reason"], act=act)

    def after(self, recorded: Any) -> str:
        return reverse("lot", args=[self.subject.lot.code])
