"""The pages of events that have a shape of their own."""

from __future__ import annotations

from typing import Any, Final

from django import forms
from django.db.models import Model
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse

from lots import clock
from lots.declaration.as_page import EventPage
from lots.fineness import WHOLE_PPT
from lots.ledger.recording import Act
from lots.models import Lot
from lots.pages.bench_form import ActForm, choice_field
from lots.pages.form_fields import FigureField, LotField
from lots.pages.steps import KEEP
from reports.models import ContractTerms, CountAdjustment
from reports.pages.terms_form import TermsForm, filled_in
from reports.queries.lot.lot_claim import customer_of
from reports.queries.lot.settlement_case import received_on, terms_for
from reports.queries.month.periods import local_day
from reports.services.counts import enter_count, recount_lot, standing_line
from reports.terms import WeightBasis, parse_terms
from reports.terms_lines import term_changes

RECORD: Final = "record"


class CountPage(EventPage):
    """The address names the lot; a lot that is counted already is counted again."""

    def find(self, request: HttpRequest, **address: Any) -> Any:
        sheet = super().find(request, **address)
        lots = Lot.objects.filter(count_lines__sheet=sheet).distinct()
        self.lot = get_object_or_404(lots, code=address["lot"].upper())
        return sheet

    def make_form(self, **kwargs: Any) -> ActForm:
        form = super().make_form(**kwargs)
        # Whether the lot was counted already when the form was opened: then this is a recount,
        # however often it is sent.
        form.fields["again"] = forms.BooleanField(required=False, widget=forms.HiddenInput)
        return form

    def initial(self, request: HttpRequest) -> dict[str, Any]:
        return {"again": standing_line(self.subject, self.lot).is_counted}

    def context(self) -> dict[str, Any]:
        return {"lot": self.lot}

    def perform(self, act: Act, form: Any) -> Model:
        service = recount_lot if form.cleaned_data["again"] else enter_count
        answers = {**form.answers(), "lot": self.lot}
        return service(**self.event.arguments(answers, self.subject), act=act)


class ProposePage(EventPage):
    """One lot at a time, with the cause of its difference."""

    def make_form(self, **kwargs: Any) -> ActForm:
        form = super().make_form(**kwargs)
        form.fields["lot"] = LotField(label="Lot whose book follows its count")
        form.fields["cause"] = choice_field(CountAdjustment.Cause, label="Cause of the difference")
        form.order_fields(["lot", "cause"])
        form.asked_as = {**form.asked_as, "causes": "lot"}
        return form

    def perform(self, act: Act, form: Any) -> Model:
        causes = {form.cleaned_data["lot"].code: form.cleaned_data["cause"]}
        return self.event.service(sheet=self.subject, causes=causes, act=act)


class PreparePage(EventPage):
    """Asks for what the lot's terms need beside what is on record: moisture, penalised elements."""

    def make_form(self, **kwargs: Any) -> ActForm:
        form = super().make_form(**kwargs)
        customer = customer_of(self.subject)
        contract = customer and terms_for(customer, self.subject.form, received_on(self.subject))
        terms = parse_terms(contract.content) if contract else None
        self.elements = {}
        for penalty in terms.penalties if terms else ():
            # In small letters, as a refusal of `impurities.Bi` finds the field.
            name = f"impurities_{penalty.element.lower()}"
            self.elements[name] = penalty.element
            form.fields[name] = FigureField(
                label=f"{penalty.element} found, ‰",
                required=False,
                maximum=WHOLE_PPT,
                help_text=f"The terms charge what is above {penalty.limit_ppt.normalize():f} ‰.",
            )
        if terms is not None and terms.weight_basis == WeightBasis.RECEIVED_DRY:
            form.fields["moisture_ppt"] = FigureField(
                label="Moisture of the weight received, ‰",
                maximum=WHOLE_PPT,
                help_text="The terms settle on the dry weight.",
            )
        form.asked_as = {**form.asked_as, "lot": "kind", "customer": "kind"}
        return form

    def perform(self, act: Act, form: Any) -> Model:
        data = form.cleaned_data
        found = {element: data[name] for name, element in self.elements.items()}
        impurities = {element: value for element, value in found.items() if value is not None}
        return self.event.service(
            lot=self.subject,
            kind=data["kind"],
            impurities_ppt=impurities or None,
            tax=data["tax"],
            moisture_ppt=data.get("moisture_ppt"),
            act=act,
        )


class SharePage(EventPage):
    def answer(self, request: HttpRequest, recorded: Any) -> HttpResponse:
        """Shows the address instead of going on: it must stand in no address bar or log."""
        token = getattr(recorded, "token", None)
        shown = token and request.build_absolute_uri(reverse("shared", args=[token]))
        context = {"section": self.section, "link": recorded, "address": shown}
        answer = render(request, "reports/link_made.html", context)
        answer.headers["Cache-Control"] = "no-store, private, max-age=0"
        return answer


class WriteTermsPage(EventPage):
    """The form of all terms; what it changes is shown before it is recorded."""

    def make_form(self, **kwargs: Any) -> ActForm:
        return TermsForm(**kwargs)

    def initial(self, request: HttpRequest) -> dict[str, Any]:
        form = request.GET.get("form", "")
        versions = ContractTerms.objects.filter(customer=self.subject, form=form)
        latest = versions.order_by("number").last()
        begun = filled_in(parse_terms(latest.content)) if latest else {}
        return {**begun, "form": form, "valid_from": local_day(clock.now())}

    def post(self, request: HttpRequest, *args: Any, **path: Any) -> HttpResponse:
        if request.POST.get("do") == RECORD or KEEP in request.POST:
            return super().post(request, *args, **path)
        form = self.make_form(data=request.POST)
        return self.show(request, form, status=200 if form.is_valid() else 400)

    def context(self) -> dict[str, Any]:
        return {"preview": self._preview(), "record": RECORD}

    def _preview(self) -> dict[str, Any]:
        """What the entries change against the version that holds until then."""
        form: Any = self.form
        if not form.is_bound or form.errors or form.terms is None:
            return {}
        before = terms_for(self.subject, form.cleaned_data["form"], form.cleaned_data["valid_from"])
        was = parse_terms(before.content) if before else None
        return {"before": before, "changes": term_changes(was, form.terms)}

    def perform(self, act: Act, form: Any) -> Model:
        data = form.cleaned_data
        return self.event.service(
            customer=self.subject,
            content=form.content(),
            form=data["form"],
            valid_from=data["valid_from"],
            act=act,
        )


OVERRIDES: Final[dict[str, type[EventPage]]] = {
    "answer-share": SharePage,
    "settle": PreparePage,
    "settlement-share": SharePage,
    "sheet-count": CountPage,
    "sheet-propose": ProposePage,
    "terms-write": WriteTermsPage,
}
