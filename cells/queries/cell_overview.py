"""Every cell at a glance: its run, its electrolyte, the last reading, what warns."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from dataclasses import dataclass

from django.db.models import OuterRef, Subquery

from cells.models import (
    UNFINISHED,
    Cell,
    CellRun,
    CellWarning,
    ElectrolyteBatch,
    RunReading,
)
from cells.queries.electrolyte_books import ElectrolyteBook, electrolyte_books
from lots.ledger.holdings import AsOf, Holding, holdings


@dataclass(frozen=True)
class CellNow:
    """One cell: its unfinished run (or None), and the electrolyte in it (or None).

    `charge` is what the charge lot holds by the book; `running_h` counts from the start.
    """

    cell: Cell
    run: CellRun | None
    electrolyte: ElectrolyteBook | None
    charge: Holding | None
    latest: RunReading | None
    running_h: float | None
    warnings: tuple[CellWarning, ...]


def cell_overview(at: dt.datetime, *, with_inactive: bool = False) -> list[CellNow]:
    """Every cell as it stands, in a fixed number of queries."""
    cells = Cell.objects.select_related("place").order_by("name", "id")
    if not with_inactive:
        cells = cells.filter(is_active=True)
    latest_id = (
        RunReading.objects.filter(run=OuterRef("pk"), withdrawal__isnull=True, taken_at__lte=at)
        .order_by("-taken_at", "-id")
        .values("pk")[:1]
    )
    runs = {
        run.cell_id: run
        for run in CellRun.objects.filter(state__in=UNFINISHED, cell__in=cells)
        .select_related("electrolyte__lot", "charge_lot", "coulomb_count", "cell")
        .annotate(latest_id=Subquery(latest_id))
    }
    readings = RunReading.objects.in_bulk(
        [run.latest_id for run in runs.values() if run.latest_id is not None]
    )
    batches: dict[int, ElectrolyteBatch] = {
        batch.cell_id: batch
        for batch in ElectrolyteBatch.objects.filter(cell__in=cells).order_by("id")
        if batch.cell_id is not None
    }
    batches |= {pk: run.electrolyte for pk, run in runs.items()}
    books = {book.batch.pk: book for book in electrolyte_books(list(batches.values()), AsOf(at))}
    held = holdings([run.charge_lot_id for run in runs.values()], AsOf(at))
    warnings: dict[int, list[CellWarning]] = defaultdict(list)
    for warning in CellWarning.objects.filter(run__in=runs.values()).exclude(
        state=CellWarning.State.CLEARED
    ):
        warnings[warning.run_id].append(warning)
    overview = []
    for cell in cells:
        book = books[batches[cell.pk].pk] if cell.pk in batches else None
        run = runs.get(cell.pk)
        if run is None:
            overview.append(CellNow(cell, None, book, None, None, None, ()))
            continue
        latest = None if run.latest_id is None else readings[run.latest_id]
        overview.append(
            CellNow(
                cell=cell,
                run=run,
                electrolyte=book,
                charge=held[run.charge_lot_id],
                latest=latest,
                running_h=_running_h(run, at),
                warnings=tuple(warnings[run.pk]),
            )
        )
    return overview


def _running_h(run: CellRun, at: dt.datetime) -> float | None:
    if run.started_at is None or run.started_at > at:
        return None
    until = at if run.stopped_at is None else min(at, run.stopped_at)
    return (until - run.started_at).total_seconds() / 3600
