"""The slimes bags that wait, most at stake first."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from cells.queries.slimes_queue import recovery_batches, slimes_queue, stake_min_g
from config.drawing.charts import Bar, BarChart
from lots import clock
from lots.people.access import staff_page

BAGS_A_PAGE: Final = 50
BAGS_DRAWN: Final = 15
BATCHES_SHOWN: Final = 20


@staff_page
def queue_page(request: HttpRequest) -> HttpResponse:
    now = clock.now()
    page = Paginator(slimes_queue(now), BAGS_A_PAGE).get_page(request.GET.get("page"))
    return render(
        request,
        "cells/slimes.html",
        {
            "section": "slimes",
            "queue": page.object_list,
            "page": page,
            "batches": recovery_batches(now)[:BATCHES_SHOWN],
            "stake_min_g": stake_min_g(),
            "chart": _chart(list(page.object_list)[:BAGS_DRAWN]),
        },
    )


def _chart(queue: Sequence[Any]) -> BarChart | None:
    if len(queue) < 2:
        return None
    bars = [
        Bar(each.bag.lot.code, each.stake, plus_minus=each.u_stake, accent="three")
        for each in queue
    ]
    return BarChart(
        "Precious metal at stake in each bag", "grams, ± one standard uncertainty", bars, 1
    )
