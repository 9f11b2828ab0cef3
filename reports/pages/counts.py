"""Count sheets: opened for a place, counted blind, recounted, and adjusted by two people."""

from __future__ import annotations

from typing import Any, Final

from django import forms
from django.core.paginator import Paginator
from django.db.models import Model
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse

from lots.ledger.recording import Act
from lots.models import Lot
from lots.pages.bench_form import ActForm, choice_field, place_field
from lots.pages.form_fields import LotField
from lots.pages.form_parts import OptionalVolume, OptionalWeight
from lots.pages.steps import BenchStep
from lots.people.access import role_of, staff_page
from lots.people.roles import OFFICE
from reports.models import CountAdjustment, CountSheet
from reports.pages.month_steps import MonthStep, OfficeForm
from reports.queries.count_sheets import blind_lines
from reports.queries.counts import count_figures
from reports.services.approvals import (
    approve_adjustments,
    decline_adjustment,
    propose_adjustments,
)
from reports.services.counts import (
    Found,
    add_found_lot,
    enter_count,
    open_count_sheet,
    recount_lot,
    standing_line,
)

_SHEET: Final = "reports/sheet_step.html"

# A place with more lots is counted in pages; the form to take along has them all.
LINES_A_PAGE: Final = 100


def sheet_of(code: str) -> CountSheet:
    sheets = CountSheet.objects.select_related("place", "month_end__books_month")
    return get_object_or_404(sheets, code=code.upper())


class OpenSheetForm(ActForm):
    place = place_field(label="What is counted")


class OpenSheet(MonthStep):
    title = "Open a count sheet"
    lead = "It lists every lot the books have standing there, and shows nobody how much."
    button = "Open it"
    done = "Opened. Count what you find."
    form_class = OpenSheetForm

    def perform(self, act: Act, form: Any) -> Model:
        place = form.cleaned_data["place"]
        return open_count_sheet(month_end=self.subject, place=place, act=act)

    def after(self, recorded: Any) -> str:
        return reverse("count-sheet", args=[recorded.code])


@staff_page
def sheet_page(request: HttpRequest, code: str) -> HttpResponse:
    """The sheet as the counter may see it; the office sees the differences beside."""
    sheet = sheet_of(code)
    is_office = role_of(request) in OFFICE
    page = Paginator(blind_lines(sheet), LINES_A_PAGE).get_page(request.GET.get("page"))
    figures = []
    if is_office:
        shown = {line.lot.code for line in page.object_list}
        every = count_figures(sheet.month_end.books_month.first_day)
        figures = [each for each in every if each.sheet == sheet.code and each.lot in shown]
    proposals = CountAdjustment.objects.filter(line__sheet=sheet).select_related(
        "line__lot", "proposed_by", "decided_by"
    )
    return render(
        request,
        "reports/count_sheet.html",
        {
            "section": "months",
            "sheet": sheet,
            "page": page,
            "lines": page.object_list,
            "is_office": is_office,
            "figures": figures,
            "proposals": proposals if is_office else (),
        },
    )


class OfSheet(BenchStep):
    """A step of one count sheet."""

    section = "months"
    template_name = _SHEET

    def find(self, request: HttpRequest, **path: Any) -> CountSheet:
        return sheet_of(path["code"])

    def after(self, recorded: Any) -> str:
        return reverse("count-sheet", args=[self.subject.code])


class CountForm(OptionalWeight, OptionalVolume):
    sighted = forms.BooleanField(label="Seen with its seal intact, not opened", required=False)
    missing = forms.BooleanField(label="Not found", required=False)
    # Whether the lot was counted already when the form was opened: then this is a recount, however
    # often it is sent.
    again = forms.BooleanField(required=False, widget=forms.HiddenInput)
    field_order = ["gross", "tare", "balance", "volume", "volume_u", "sighted", "missing"]

    def found(self) -> Found:
        data = self.cleaned_data
        return Found(
            weight=self.weight(),
            volume=self.volume_read(),
            sighted=data["sighted"],
            missing=data["missing"],
        )


class CountLot(OfSheet):
    title = "Count a lot"
    lead = "Exactly one of: weighed, measured by volume, seen sealed, not found."
    button = "Keep the count"
    done = "Counted."
    form_class = CountForm
    template_name = "reports/count_step.html"

    def find(self, request: HttpRequest, **path: Any) -> CountSheet:
        sheet = sheet_of(path["code"])
        lots = Lot.objects.filter(count_lines__sheet=sheet).distinct()
        self.lot = get_object_or_404(lots, code=path["lot"].upper())
        return sheet

    def initial(self, request: HttpRequest) -> dict[str, Any]:
        return {"again": standing_line(self.subject, self.lot).is_counted}

    def context(self) -> dict[str, Any]:
        return {"lot": self.lot}

    def perform(self, act: Act, form: Any) -> Model:
        count = recount_lot if form.cleaned_data["again"] else enter_count
        return count(sheet=self.subject, lot=self.lot, found=form.found(), act=act)


class FoundLotForm(ActForm):
    lot = LotField(label="The lot found")


class AddFoundLot(OfSheet):
    title = "Add a lot found there"
    lead = "For a lot that stands there and is on no sheet of the month."
    button = "Add it"
    done = "Added. Count it."
    form_class = FoundLotForm
    offered_forms = ()

    def perform(self, act: Act, form: Any) -> Model:
        return add_found_lot(sheet=self.subject, lot=form.cleaned_data["lot"], act=act)


class ProposeForm(OfficeForm):
    lot = LotField(label="Lot whose book follows its count")
    cause = choice_field(CountAdjustment.Cause, label="Cause of the difference")
    asked_as = {**OfficeForm.asked_as, "causes": "lot"}


class ProposeAdjustment(OfSheet):
    title = "Propose an adjustment"
    lead = "Nothing is posted until another person approves."
    button = "Propose it"
    done = "Proposed. Somebody else decides."
    form_class = ProposeForm
    roles = OFFICE

    def perform(self, act: Act, form: Any) -> Model:
        data = form.cleaned_data
        causes = {data["lot"].code: data["cause"]}
        return propose_adjustments(sheet=self.subject, causes=causes, act=act)


class ApproveAdjustments(OfSheet):
    title = "Approve the adjustments"
    lead = "Each is posted as of the moment counted for. Whoever proposed one cannot approve it."
    button = "Approve and post them"
    done = "Posted."
    form_class = OfficeForm
    roles = OFFICE

    def perform(self, act: Act, form: Any) -> Model:
        return approve_adjustments(sheet=self.subject, act=act)


class DeclineForm(OfficeForm):
    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["note"].required = True
        self.fields["note"].label = "Why"


class DeclineAdjustment(BenchStep):
    title = "Decline an adjustment"
    button = "Decline it"
    done = "Declined: the difference stays open."
    section = "months"
    form_class = DeclineForm
    roles = OFFICE

    def find(self, request: HttpRequest, **path: Any) -> CountAdjustment:
        adjustment = (
            CountAdjustment.objects.select_related("line__sheet", "line__lot")
            .filter(pk=path["pk"])
            .first()
        )
        if adjustment is None:
            raise Http404
        return adjustment

    def perform(self, act: Act, form: Any) -> Model:
        return decline_adjustment(adjustment=self.subject, act=act)

    def after(self, recorded: Any) -> str:
        return reverse("count-sheet", args=[recorded.line.sheet.code])
