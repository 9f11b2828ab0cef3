"""The current is switched on."""

from __future__ import annotations

from cells.models import CellRun
from cells.services.cell_warnings import look_again
from cells.services.readings import Instruments, keep_reading
from cells.services.run_steps import (
    check_after,
    current_run,
    follow,
    require_state,
)
from lots.ledger.recording import Act, recorded_once


@recorded_once
def start_run(*, run: CellRun, act: Act, first: Instruments | None = None) -> CellRun:
    """Starts a charged run, with its first reading if one was taken.

    Raises ConflictError `run_not_charged`; InvalidError `out_of_order`.
    """
    run = current_run(run)
    require_state(
        run,
        CellRun.State.CHARGED,
        code="run_not_charged",
        remedy="Charge a new run; a run is started once.",
    )
    check_after(act.moment, run.charged_at, "the run was charged")
    run = follow(run, state=CellRun.State.RUNNING, started_at=act.moment)
    if first is not None:
        keep_reading(run, first, act.moment, act)
    look_again(run, act.moment)
    return run
