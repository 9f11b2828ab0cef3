"""The cells at a glance, and one run with its charts, its account and what comes next."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from typing import Any, Final
from urllib.parse import urlencode

from django.core.paginator import Paginator
from django.db.models import F
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse

from cells.electrochemistry.nernst import CopperMargin, copper_margin
from cells.estimate.outlook import Forecast
from cells.models import (
    UNDER_WAY,
    UNFINISHED,
    Cell,
    CellRun,
    ElectrolyteBatch,
    RunMovement,
    RunReading,
)
from cells.pages.run_charts import bath_chart, current_chart, plated_chart, voltage_chart
from cells.queries.current_series import readings_of
from cells.queries.electrolyte_books import ElectrolyteBook, electrolyte_book, electrolyte_books
from cells.queries.gaps import gaps_of
from cells.queries.run_estimate import RunNow, run_now
from cells.queries.run_summary import run_summaries, run_summary
from cells.run_line import RunFacts, run_line
from config.pages import message_of
from config.refusals import RefusalError
from lots import clock
from lots.metals import Metal
from lots.models import Lot, Movement
from lots.people.access import lot_for, staff_page
from lots.queries.works_zone import works_zone

RUNS_SHOWN: Final = 30
ELECTROLYTES_A_PAGE: Final = 20
_STATE: Final = CellRun.State


@staff_page
def cell_list(request: HttpRequest) -> HttpResponse:
    cells = list(Cell.objects.filter(is_active=True).select_related("place"))
    unfinished = {
        run.cell_id: run
        for run in CellRun.objects.filter(state__in=UNFINISHED).select_related("cell")
    }
    # Those that stand in a cell come first.
    batches = ElectrolyteBatch.objects.filter(
        lot__state__in=[Lot.State.AVAILABLE, Lot.State.QUARANTINED]
    ).order_by(F("cell__name").asc(nulls_last=True), "id")
    page = Paginator(batches, ELECTROLYTES_A_PAGE).get_page(request.GET.get("page"))
    runs = list(
        CellRun.objects.exclude(state=_STATE.WITHDRAWN).order_by("-charged_at", "-id")[:RUNS_SHOWN]
    )
    return render(
        request,
        "cells/cells.html",
        {
            "section": "cells",
            "cells": [(cell, unfinished.get(cell.pk)) for cell in cells],
            "electrolytes": electrolyte_books(list(page.object_list)),
            "page": page,
            "taking": request.GET.get("take", ""),
            "runs": run_summaries(runs),
        },
    )


@staff_page
def run_page(request: HttpRequest, code: str) -> HttpResponse:
    runs = CellRun.objects.select_related("cell", "electrolyte__lot", "charge_lot", "charged_by")
    run = get_object_or_404(runs, code=code.upper())
    readings = readings_of(run)
    moment = _day_asked(request)
    now, forecast, no_forecast = _foretold(run, clock.now(), moment)
    summary = run_summary(run)
    book = electrolyte_book(run.electrolyte)
    movements = run.run_movements.select_related("movement__reversed_by", "lot")
    line = run_line(facts_of(run, movements, read=bool(readings)))
    return render(
        request,
        "cells/run.html",
        {
            "section": "cells",
            "run": run,
            "summary": summary,
            "flows": _flows(summary),
            "electrolyte": book,
            "margin": _copper_margin(book, now),
            "readings": readings,
            "withdrawn": RunReading.objects.filter(run=run, withdrawal__isnull=False)
            .select_related("withdrawal__withdrawn_by")
            .order_by("taken_at", "id"),
            "gaps": gaps_of(run) if run.state in UNDER_WAY else (),
            "power_statements": run.power_statements.select_related("withdrawal", "recorded_by"),
            "warnings": run.warnings.exclude(state="cleared").select_related("acknowledged_by"),
            "line": line,
            "next": next((step for step in line if step.mark == "next"), None),
            "forecast": forecast,
            "no_forecast": no_forecast,
            "now": now,
            "moment": moment,
            "charts": _charts(run, readings, now),
            "movements": movements,
        },
    )


def facts_of(run: CellRun, movements: Iterable[RunMovement], *, read: bool) -> RunFacts:
    """What of a run was done, from its movements with those that reverse them."""
    kinds = Movement.Kind
    stands = {each.movement.kind for each in movements if not hasattr(each.movement, "reversed_by")}
    return RunFacts(
        run.state,
        read=read,
        remnant=kinds.REMNANT in stands,
        bag=kinds.SLIMES in stands,
        rinse=kinds.RINSE in stands,
    )


@staff_page
def charge_lot(request: HttpRequest, code: str) -> HttpResponse:
    """To the charge of the free cell with the lot filled in; to choose a cell when not one is."""
    lot = lot_for(request, code)
    busy = CellRun.objects.filter(state__in=UNFINISHED).values("cell")
    free = list(Cell.objects.filter(is_active=True).exclude(pk__in=busy)[:2])
    address = reverse("charge", args=[free[0].code]) if len(free) == 1 else reverse("cells")
    return redirect(f"{address}?{urlencode({'take': lot.code})}")


def _copper_margin(book: ElectrolyteBook, now: RunNow | None) -> CopperMargin | None:
    """How far silver plates above copper in the bath as it is, else as the book has it."""
    if now is not None:
        silver, copper = now.state.silver_g_per_l.value, now.state.copper_g_per_l.value
    else:
        silver, copper = (float(book.g_per_l.get(metal, 0)) for metal in ("Ag", "Cu"))
    return copper_margin(silver, copper) if silver > 0 and copper > 0 else None


def _day_asked(request: HttpRequest) -> dt.datetime | None:
    """The end of the day the reader asks about; none where none is asked or understood."""
    try:
        day = dt.date.fromisoformat(request.GET.get("by", ""))
    except ValueError:
        return None
    return dt.datetime.combine(day, dt.time(18), works_zone())


def _foretold(
    run: CellRun, at: dt.datetime, moment: dt.datetime | None
) -> tuple[RunNow | None, Forecast | None, str]:
    """What the cell of a started run holds, and its forecast or why there is none."""
    if run.started_at is None:
        return None, None, ""
    try:
        now = run_now(run, at)
    except RefusalError as refusal:
        return None, None, message_of(refusal)
    if run.state != _STATE.RUNNING:
        return now, None, ""
    ahead = now.ahead(moment)
    return (now, None, ahead.reason) if ahead.state != "forecast" else (now, ahead, "")


def _charts(run: CellRun, readings: list[RunReading], now: RunNow | None) -> list[Any]:
    if len(readings) < 2 or run.started_at is None:
        return []
    charts = [current_chart(run, readings), voltage_chart(run, readings)]
    if now is not None:
        charts += [plated_chart(run, now), bath_chart(run, readings, now)]
    return [chart for chart in charts if chart is not None]


def _flows(summary: Any) -> list[tuple[str, dict[str, int]]]:
    """The run's account, line by line, metals in the books' order."""
    crystal = summary.crystal.metals if summary.crystal else {}
    lines = (
        ("Charged", summary.charged),
        ("Added to the electrolyte", summary.added),
        ("Anode remnant", summary.remnant),
        ("Slimes bag", summary.slimes),
        ("Crystal", crystal),
        ("Rinse water", summary.rinse),
        ("Bled", summary.bled),
        ("Electrolyte at the start", summary.electrolyte_in.metals),
        (
            "Electrolyte at the end" if summary.run.closed_at else "Electrolyte by the book now",
            summary.electrolyte_out.metals,
        ),
        ("Difference, book less found", summary.difference),
    )
    return [(name, _ordered(metals)) for name, metals in lines if metals]


def _ordered(metals: dict[str, int]) -> dict[str, int]:
    return {metal: metals[metal] for metal in Metal.values if metal in metals}
