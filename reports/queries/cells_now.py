"""The works' cells in a line each: what runs, since when, at what current, what comes next."""

from __future__ import annotations

import datetime as dt
from contextlib import suppress
from dataclasses import dataclass
from typing import Final

from django.db.models import OuterRef, Subquery

from cells.estimate.answers import Range
from cells.models import UNFINISHED, Cell, CellRun, RunReading
from cells.queries.run_estimate import run_now
from config.refusals import RefusalError

_STATE: Final = CellRun.State
COMES_NEXT: Final[dict[str, tuple[str, str]]] = {
    _STATE.CHARGED: ("Switch on", "run-start"),
    _STATE.RUNNING: ("Read the cell", "run-read"),
    _STATE.STOPPED: ("Open the run", "run"),
    _STATE.HARVESTED: ("Open the run", "run"),
}


@dataclass(frozen=True)
class CellNow:
    """A cell, its unfinished run if it has one, and that run's hours, last amperes and crystal.

    `crystal_g` is estimated from all that is known, when it was asked for and can be.
    """

    cell: Cell
    run: CellRun | None
    hours: float | None
    current_a: float | None
    crystal_g: Range | None

    @property
    def comes_next(self) -> tuple[str, str, str]:
        """The step's words, its page, and the code that its page is found by."""
        if self.run is None:
            return "Charge it", "charge", self.cell.code
        return (*COMES_NEXT[self.run.state], self.run.code)


def cells_now(now: dt.datetime, *, with_estimate: bool) -> list[CellNow]:
    """In two queries; the estimate costs some for each run that is under way."""
    last = RunReading.objects.filter(run=OuterRef("pk"), taken_at__lte=now).order_by("-taken_at")
    runs = CellRun.objects.filter(state__in=UNFINISHED).select_related("cell", "electrolyte__lot")
    read = runs.annotate(last_a=Subquery(last.values("current_a")[:1]))
    by_cell = {run.cell_id: run for run in read}
    return [
        _cell_now(cell, by_cell.get(cell.pk), now, with_estimate=with_estimate)
        for cell in Cell.objects.filter(is_active=True).order_by("name")
    ]


def _cell_now(cell: Cell, run: CellRun | None, now: dt.datetime, *, with_estimate: bool) -> CellNow:
    if run is None or run.started_at is None:
        return CellNow(cell, run, None, None, None)
    until = run.stopped_at or now
    crystal = None
    if with_estimate and run.state in {_STATE.RUNNING, _STATE.STOPPED}:
        # A run whose books make no anode can't be estimated; its own page says why.
        with suppress(RefusalError):
            crystal = run_now(run, until).state.crystal_g
    current = None if run.last_a is None or run.stopped_at else float(run.last_a)  # type: ignore[attr-defined]
    return CellNow(cell, run, (until - run.started_at).total_seconds() / 3600, current, crystal)
