"""The steps of a month's close: begun, prepared, approved by another, locked, opened again."""

from __future__ import annotations

from typing import Any, ClassVar

from django import forms
from django.db.models import Model
from django.http import Http404, HttpRequest
from django.urls import reverse

from lots.ledger.recording import Act
from lots.pages.bench_form import ActForm
from lots.pages.steps import BenchStep
from lots.people.roles import OFFICE
from reports.models import MonthEnd
from reports.pages.month import month_end_of, period_for
from reports.queries.month.periods import Period
from reports.services.approvals import approve_month
from reports.services.month_end import (
    begin_month_end,
    close_month,
    prepare_month,
    reopen_month,
    send_back_month,
)


class OfficeForm(ActForm):
    """Office steps happen when they are recorded."""

    asked_as = {**ActForm.asked_as, "month": "note", "who": "note"}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["occurred_at"].widget = forms.HiddenInput()


class MonthStep(BenchStep):
    """A step of one month's close; accountants and managers only."""

    section = "months"
    form_class: ClassVar[type[ActForm]] = OfficeForm
    roles: ClassVar[frozenset[str] | None] = OFFICE
    template_name = "reports/month_step.html"

    def find(self, request: HttpRequest, **path: Any) -> MonthEnd:
        month_end = month_end_of(period_for(path["month"]))
        if month_end is None:
            raise Http404
        return month_end

    def after(self, recorded: Any) -> str:
        return reverse("month", args=[str(recorded.books_month)])


class BeginMonthEnd(MonthStep):
    title = "Begin the close"
    lead = "Counting may begin before the month is over; closing may not."
    button = "Begin it"
    done = "Begun. Open a count sheet for each place."

    def find(self, request: HttpRequest, **path: Any) -> Any:
        return period_for(path["month"])

    def perform(self, act: Act, form: Any) -> Model:
        period: Period = self.subject
        return begin_month_end(first_day=period.first_day, act=act)


class PrepareForm(OfficeForm):
    waiver = forms.CharField(
        label="Why sheets stay uncounted, if any do", max_length=300, required=False
    )


class PrepareMonth(MonthStep):
    title = "The month is prepared"
    lead = "From now on somebody else looks it over and approves it."
    button = "It is ready to approve"
    done = "Prepared."
    form_class = PrepareForm

    def perform(self, act: Act, form: Any) -> Model:
        waiver = form.cleaned_data["waiver"]
        return prepare_month(month_end=self.subject, waiver=waiver, act=act)


class NotedForm(OfficeForm):
    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["note"].required = True
        self.fields["note"].label = "Why"


class SendBackMonth(MonthStep):
    title = "Send the month back"
    button = "Back to counting"
    done = "It is back at counting."
    form_class = NotedForm

    def perform(self, act: Act, form: Any) -> Model:
        return send_back_month(month_end=self.subject, act=act)


class ApproveMonth(MonthStep):
    title = "Approve the month"
    lead = "Whoever prepared it cannot approve it. Your approval signs the digest of the statement."
    button = "Approve it"
    done = "Approved."

    def perform(self, act: Act, form: Any) -> Model:
        return approve_month(month_end=self.subject, act=act)


class CloseMonth(MonthStep):
    title = "Close the month"
    lead = "No movement can be posted in it, or before it, from then on."
    button = "Close and lock it"
    done = "Closed and locked."

    def perform(self, act: Act, form: Any) -> Model:
        return close_month(month_end=self.subject, act=act)


class ReopenForm(OfficeForm):
    reason = forms.CharField(label="Why it is opened again", max_length=300)


class ReopenMonth(MonthStep):
    title = "Open the month again"
    lead = "That, why, and what had been signed stay on record."
    button = "Open it again"
    done = "Open again."
    form_class = ReopenForm

    def perform(self, act: Act, form: Any) -> Model:
        reason = form.cleaned_data["reason"]
        return reopen_month(month_end=self.subject, reason=reason, act=act)
