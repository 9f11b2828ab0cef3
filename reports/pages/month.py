"""The months of the books, and one month: its statement, losses, claims, counts and close."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any, Final

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render

from config.drawing.charts import Step, Waterfall
from config.pages import to_save
from config.refusals import RefusalError
from lots import clock
from lots.ledger.snapshot import snapshot
from lots.metals import Metal
from lots.people.access import staff_page
from lots.units import ug_to_g
from reports import conventions
from reports.exports.month_end_pdf import month_end_pdf
from reports.models import CountSheet, MonthEnd
from reports.pages.month_flow import FLOW_NOTE, flow_chart
from reports.queries.month.month_pack import month_pack
from reports.queries.month.month_statement import MetalStatement
from reports.queries.month.months_on_books import months_on_books
from reports.queries.month.periods import Period, local_day, month_period, parse_month

_STATE: Final = MonthEnd.State
# The close in order: state reached, what it means, who does the next step.
CLOSE_STEPS: Final = (
    (_STATE.OPEN, "Begun", "A sheet is opened for each place, and every lot on it counted blind."),
    (
        _STATE.COUNTING,
        "Counting",
        "Differences are looked into; adjustments are proposed, then approved.",
    ),
    (
        _STATE.PREPARED,
        "Prepared",
        "Somebody else, where there is one, looks it over and approves it.",
    ),
    (_STATE.APPROVED, "Approved", "The month is locked."),
    (_STATE.CLOSED, "Closed", "Late facts are posted in the open month and refer back."),
)


def period_for(text: str) -> Period:
    """The month of an address such as 2026-05, or Http404."""
    try:
        return parse_month(text)
    except RefusalError as refusal:
        raise Http404 from refusal


def month_end_of(period: Period) -> MonthEnd | None:
    """How far the month's close has come, if it has begun."""
    return (
        MonthEnd.objects.select_related("books_month", "prepared_by", "approved_by", "closed_by")
        .filter(books_month__first_day=period.first_day)
        .first()
    )


@staff_page
def month_list(request: HttpRequest) -> HttpResponse:
    return render(
        request,
        "reports/months.html",
        {
            "section": "months",
            "months": reversed(months_on_books(clock.now())),
            "this_month": month_period(local_day(clock.now())),
        },
    )


@staff_page
def month_page(request: HttpRequest, month: str) -> HttpResponse:
    period = period_for(month)
    wanted = request.GET.get("metal", "")
    with snapshot():
        pack = month_pack(period)
        statement = pack.statement
        chosen = next((each for each in statement.metals if each.metal == wanted), None)
        chosen = chosen or next(iter(statement.metals), None)
        flow = flow_chart(chosen.metal, statement) if chosen else None
    standing = standing_of(period)
    month_end = standing["month_end"]
    return render(
        request,
        "reports/month.html",
        {
            "section": "months",
            "period": period,
            "pack": pack,
            "statement": statement,
            "chosen": chosen,
            "counted": [each for each in statement.metals if each.is_counted],
            "largest": max(statement.areas, key=lambda each: each.closing_ug, default=None),
            "worst": max(pack.losses.by_stage(), key=lambda each: abs(each.mass_ug), default=None),
            "owner_count": len({each.owner for each in pack.claims}),
            "overview": _overview(statement.metals),
            "waterfall": waterfall(chosen, str(period)) if chosen else None,
            "flow": flow,
            "flow_note": FLOW_NOTE,
            "close_steps": _progress(month_end),
            "sheets": CountSheet.objects.filter(month_end=month_end).select_related("place")
            if month_end
            else (),
            **standing,
            "conventions": (
                conventions.SIGN_CONVENTION,
                conventions.STATEMENT_SIGNS,
                conventions.STATEMENT_THROUGHPUT,
                conventions.OUNCE_RULE,
                conventions.PERCENT_RULE,
            ),
        },
    )


@staff_page
def month_paper(request: HttpRequest, month: str) -> HttpResponse:
    """The statement to print, file and hand over."""
    period = period_for(month)
    content = month_end_pdf(month_pack(period), made_at=clock.now())
    return to_save(content, f"month-end-{period}.pdf")


def standing_of(period: Period) -> dict[str, Any]:
    """How far the close has come, and what it waits for."""
    month_end = month_end_of(period)
    is_over = period.ends_at <= clock.now()
    to_do = _to_do(month_end, is_over=is_over)
    return {"month_end": month_end, "is_over": is_over, "to_do": to_do}


def _to_do(month_end: MonthEnd | None, *, is_over: bool) -> str:
    """What the close waits for, in a sentence."""
    if month_end is None:
        return "Begin the close, and count what lies at each place."
    told = dict(zip((state for state, _, _ in CLOSE_STEPS), CLOSE_STEPS, strict=True))
    if month_end.state in {_STATE.OPEN, _STATE.COUNTING} and not is_over:
        return "Count now or when the month is over; it can be made ready to approve after that."
    return told[_STATE(month_end.state)][2]


def _overview(metals: Sequence[MetalStatement]) -> list[tuple[str, list[int | None]]]:
    """Each line of the statement with every metal's figure; lines that did nothing are left out."""
    rows: list[tuple[str, list[int | None]]] = [
        ("Opening book", [each.opening_ug for each in metals])
    ]
    names = dict.fromkeys(line.name for each in metals for line in each.lines if line.change_ug)
    for name in names:
        changes = [{line.name: line.change_ug for line in each.lines} for each in metals]
        rows.append((name, [change.get(name) or None for change in changes]))
    rows.append(("Closing book", [each.closing_ug for each in metals]))
    if any(each.is_counted for each in metals):
        rows.append(
            (
                "Book less physical",
                [each.difference_ug if each.is_counted else None for each in metals],
            )
        )
    return rows


def waterfall(each: MetalStatement, month: str) -> Waterfall:
    """From opening to closing book by what came and went."""
    name = Metal(each.metal).label
    steps = [Step("Opening book", _g(each.opening_ug), is_total=True)]
    lines = [line for line in each.lines if line.change_ug]
    steps += [Step(_short(line.name), _g(line.change_ug)) for line in lines]
    steps.append(Step("Closing book", _g(each.closing_ug), is_total=True))
    return Waterfall(f"{name} in {month}, from opening to closing book", "grams", steps)


def _short(name: str) -> str:
    """What is before "from" or "to": room for a chart's label."""
    return re.split(r" (?:from|to) ", name)[0]


def _g(mass_ug: int) -> float:
    return float(ug_to_g(mass_ug))


def _progress(month_end: MonthEnd | None) -> list[dict[str, Any]]:
    """The steps of the close, each done, standing or to come."""
    states = [state for state, _, _ in CLOSE_STEPS]
    reached = states.index(_STATE(month_end.state)) if month_end else -1
    return [
        {
            "name": name,
            "text": text,
            "is_done": index < reached or (index == reached and state == _STATE.CLOSED),
            "is_here": index == reached,
        }
        for index, (state, name, text) in enumerate(CLOSE_STEPS)
    ]
