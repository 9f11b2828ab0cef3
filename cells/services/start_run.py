"""The current is switched on."""

from __future__ import annotations

from typing import Annotated, Final

from cells.models import CellRun
from cells.queries.likely import start_held
from cells.services.cell_warnings import look_again
from cells.services.readings import Instruments, keep_reading
from cells.services.run_steps import (
    ON_RUN,
    check_after,
    current_run,
    follow,
    require_state,
)
from lots.declaration.event import Asks, Event
from lots.ledger.recording import Act, recorded_once


@recorded_once
def start_run(
    *,
    run: CellRun,
    act: Act,
    first: Annotated[Instruments | None, Asks(help="The first reading, if taken at once.")] = None,
) -> CellRun:
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


START: Final = Event(
    start_run,
    on=ON_RUN,
    at="start",
    name="run-start",
    about="Switch a charged cell on.",
    title="Switch on",
    button="The current is on",
    done="The run has started.",
    order=("current_a", "voltage_v"),
    cautions=("run",),
    fixed={"first.is_interruption": False},
    likely=start_held,
)
