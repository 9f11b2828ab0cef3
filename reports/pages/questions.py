"""Customers' questions about lots: the list, one with its answer, and the steps that close it."""

from __future__ import annotations

from typing import Any, Final

from django.core.paginator import Paginator
from django.db.models import Model, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse

from lots import clock
from lots.ledger.recording import Act
from lots.models import Lot
from lots.pages.lists import ROWS_A_PAGE
from lots.pages.trace_web import trace_web
from lots.people.access import lot_for, role_of, staff_page
from lots.people.roles import OFFICE
from lots.traces.lot_trace import Edge, Graph, Node
from reports.models import AccessRecord, SettlementQuestion
from reports.pages.access_log import note_page
from reports.pages.month_steps import OfficeForm
from reports.pages.office_step import Crumb, OfficeStep, words_field
from reports.queries.lot.question_facts import question_facts
from reports.services.settlement_question import (
    TEXT_MAX,
    answer_question,
    ask_question,
    withdraw_question,
)

_STATE: Final = SettlementQuestion.State


def _questions() -> QuerySet[SettlementQuestion]:
    return SettlementQuestion.objects.select_related(
        "lot", "settlement", "customer", "recorded_by", "answered_by"
    )


@staff_page
def question_list(request: HttpRequest) -> HttpResponse:
    """Open ones first, the longest open on top; then the rest, the newest first."""
    now = clock.now()
    waiting = _questions().filter(state=_STATE.OPEN).order_by("asked_at", "id")
    closed = _questions().exclude(state=_STATE.OPEN).order_by("-answered_at", "-id")
    page = Paginator(closed, ROWS_A_PAGE).get_page(request.GET.get("page"))
    return render(
        request,
        "reports/questions.html",
        {
            "section": "settlements",
            "waiting": [(each, (now - each.asked_at).days) for each in waiting],
            "page": page,
            "query": "",
        },
    )


@staff_page
def question_page(request: HttpRequest, pk: int) -> HttpResponse:
    question = get_object_or_404(_questions(), pk=pk)
    note_page(request, question.customer, AccessRecord.What.LOT_ANSWER, question.lot.code)
    is_open = question.state == _STATE.OPEN
    return render(
        request,
        "reports/question.html",
        {
            "section": "settlements",
            "question": question,
            "facts": question_facts(question),
            "web": trace_web(_graph(question), question.lot, "from"),
            "days": (clock.now() - question.asked_at).days,
            "is_open": is_open,
            "is_office": role_of(request) in OFFICE,
        },
    )


def _graph(question: SettlementQuestion) -> Graph:
    """The way of the lot's metal, as it was kept with the question."""
    kept = question.answer["lot"]["graph"]
    return Graph(
        nodes=[Node(**each) for each in kept["nodes"]],
        edges=[Edge(**each) for each in kept["edges"]],
        is_whole=kept.get("is_whole", True),
    )


class AskForm(OfficeForm):
    question = words_field(
        label="The customer's question",
        max_length=TEXT_MAX,
        rows=4,
        help_text="In the customer's own words.",
    )
    asked_as = {**OfficeForm.asked_as, "lot": "question"}


class AskQuestion(OfficeStep):
    title = "Open a question"
    lead = (
        "The answer is put together from the books as they stand now, and a reply is drafted from "
        "it. Nothing is sent."
    )
    button = "Put the answer together"
    done = "The question is open, and its answer stands below."
    form_class = AskForm
    back = ("Questions", "questions")

    def find(self, request: HttpRequest, **path: Any) -> Lot:
        return lot_for(request, path["code"])

    def crumbs(self) -> list[Crumb]:
        code = self.subject.code
        return [Crumb(code, reverse("lot", args=[code]), is_code=True)]

    def perform(self, act: Act, form: Any) -> Model:
        return ask_question(lot=self.subject, question=form.cleaned_data["question"], act=act)

    def after(self, recorded: Any) -> str:
        return reverse("question", args=[recorded.pk])


class OfQuestion(OfficeStep):
    back = ("Questions", "questions")

    def find(self, request: HttpRequest, **path: Any) -> SettlementQuestion:
        return get_object_or_404(_questions(), pk=path["pk"])

    def crumbs(self) -> list[Crumb]:
        pk = self.subject.pk
        return [Crumb(f"Question {pk}", reverse("question", args=[pk]))]

    def after(self, recorded: Any) -> str:
        return reverse("question", args=[recorded.pk])


class ReplyForm(OfficeForm):
    reply = words_field(label="The reply as it goes out", max_length=TEXT_MAX, rows=20)
    asked_as = {**OfficeForm.asked_as, "question": "reply"}


class AnswerQuestion(OfQuestion):
    title = "Reply and close"
    lead = "Drafted from the facts; read it, change it, then send it yourself. It is kept as it is."
    button = "Keep it as sent"
    done = "The reply is kept, and the question is closed."
    form_class = ReplyForm

    def initial(self, request: HttpRequest) -> dict[str, Any]:
        return {"reply": self.subject.draft}

    def perform(self, act: Act, form: Any) -> Model:
        return answer_question(question=self.subject, reply=form.cleaned_data["reply"], act=act)


class CloseForm(OfficeForm):
    asked_as = {**OfficeForm.asked_as, "question": "note"}


class WithdrawQuestion(OfQuestion):
    title = "Close without a reply"
    lead = "The customer asks no more. The question and its answer stay on record."
    button = "Close it"
    done = "Closed without a reply."
    form_class = CloseForm

    def perform(self, act: Act, form: Any) -> Model:
        return withdraw_question(question=self.subject, act=act)
