"""Customers' questions about lots: the list, one with its answer, and the steps that close it."""

from __future__ import annotations

from typing import Final

from django.core.paginator import Paginator
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render

from lots import clock
from lots.pages.lists import ROWS_A_PAGE
from lots.pages.trace_web import trace_web
from lots.people.access import staff_page
from lots.traces.lot_trace import Graph
from reports.json_ready import read_back
from reports.models import AccessRecord, SettlementQuestion
from reports.pages.access_log import note_page
from reports.queries.lot.question_facts import question_facts

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
    # The way of the lot's metal, as it was kept with the question.
    way: Graph = read_back(Graph, question.answer["lot"]["graph"])
    is_open = question.state == _STATE.OPEN
    return render(
        request,
        "reports/question.html",
        {
            "section": "settlements",
            "question": question,
            "facts": question_facts(question),
            "web": trace_web(way, question.lot, "from"),
            "days": (clock.now() - question.asked_at).days,
            "is_open": is_open,
        },
    )
