"""Process batches: what is open, and one with what it holds."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render

from lots.ledger.holdings import holding
from lots.models import ProcessBatch
from lots.people.access import staff_page
from lots.queries.lifeline import lifeline
from lots.services.process_batches import BATCH_CAUTIONS


@staff_page
def batch_page(request: HttpRequest, code: str) -> HttpResponse:
    batches = ProcessBatch.objects.select_related("vessel__owner", "vessel__place")
    batch = get_object_or_404(batches, code=code.upper())
    return render(
        request,
        "lots/batch.html",
        {
            "section": "batches",
            "batch": batch,
            "held": holding(batch.vessel),
            "lifeline": lifeline(batch.vessel),
            "steps": BATCH_CAUTIONS[batch.kind],
        },
    )


@staff_page
def batch_list(request: HttpRequest) -> HttpResponse:
    batches = ProcessBatch.objects.select_related("vessel__owner", "vessel__place")
    return render(
        request,
        "lots/batch_list.html",
        {
            "section": "batches",
            "open": batches.filter(state=ProcessBatch.State.OPEN),
            "closed": batches.filter(state=ProcessBatch.State.CLOSED)[:50],
        },
    )
