"""Customers' terms: who has which, their versions, and the form that writes down the next one."""

from __future__ import annotations

from typing import Any, Final

from django.db.models import Count, Model
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse

from lots import clock
from lots.ledger.recording import Act
from lots.models import Party
from lots.pages.steps import KEEP
from lots.people.access import role_of, staff_page
from lots.people.roles import OFFICE
from reports.models import ContractTerms
from reports.pages.office_step import Crumb, OfficeStep
from reports.pages.terms_form import TermsForm, filled_in
from reports.queries.lot.settlement_case import terms_for
from reports.queries.month.periods import local_day
from reports.services.terms import set_terms
from reports.terms import parse_terms
from reports.terms_lines import term_changes, term_lines

RECORD: Final = "record"


def customer_of_terms(code: str) -> Party:
    """The customer of this code, or 404; the house has no terms with itself."""
    return get_object_or_404(Party.objects.exclude(kind=Party.Kind.HOUSE), code=code)


@staff_page
def terms_list(request: HttpRequest) -> HttpResponse:
    """Every customer, with what holds for a lot that came in today."""
    today = local_day(clock.now())
    in_force: dict[int, dict[str, ContractTerms]] = {}
    versions = ContractTerms.objects.filter(valid_from__lte=today).order_by("valid_from", "number")
    for each in versions:
        in_force.setdefault(each.customer_id, {})[each.form] = each
    customers = Party.objects.filter(kind=Party.Kind.CUSTOMER)
    return render(
        request,
        "reports/terms_list.html",
        {
            "section": "settlements",
            "customers": [
                (
                    customer,
                    [
                        (each, parse_terms(each.content))
                        for each in in_force.get(customer.pk, {}).values()
                    ],
                )
                for customer in customers.order_by("name")
            ],
        },
    )


@staff_page
def customer_terms(request: HttpRequest, code: str) -> HttpResponse:
    """Every version, the latest first, with what it changed."""
    customer = customer_of_terms(code)
    versions = (
        ContractTerms.objects.filter(customer=customer)
        .select_related("recorded_by")
        .annotate(used=Count("settlements"))
        .order_by("form", "number")
    )
    shown = []
    before: dict[str, ContractTerms] = {}
    for each in versions:
        terms, earlier = parse_terms(each.content), before.get(each.form)
        was = parse_terms(earlier.content) if earlier else None
        changes = term_changes(was, terms) if was else ()
        shown.append((each, term_lines(terms), changes))
        before[each.form] = each
    return render(
        request,
        "reports/terms.html",
        {
            "section": "settlements",
            "customer": customer,
            "versions": shown[::-1],
            "is_office": role_of(request) in OFFICE,
        },
    )


class WriteTerms(OfficeStep):
    title = "Write down terms"
    lead = (
        "A new version beside the ones before: those stay, and settlements keep the terms they "
        "were made by. Every figure is the parties' own agreement."
    )
    button = "Show what changes"
    done = "The new version is written down."
    form_class = TermsForm
    template_name = "reports/terms_step.html"
    back = ("Terms", "terms")

    def find(self, request: HttpRequest, **path: Any) -> Party:
        return customer_of_terms(path["code"])

    def crumbs(self) -> list[Crumb]:
        return [Crumb(str(self.subject), reverse("customer-terms", args=[self.subject.code]))]

    def initial(self, request: HttpRequest) -> dict[str, Any]:
        form = request.GET.get("form", "")
        latest = (
            ContractTerms.objects.filter(customer=self.subject, form=form).order_by("number").last()
        )
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
        return set_terms(
            customer=self.subject,
            content=form.content(),
            form=data["form"],
            valid_from=data["valid_from"],
            act=act,
        )

    def after(self, recorded: Any) -> str:
        return reverse("customer-terms", args=[self.subject.code])
