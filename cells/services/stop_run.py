"""The current is switched off for good: the charge is counted."""

from __future__ import annotations

from typing import Annotated, Final

from cells.models import CellRun
from cells.queries.current_series import readings_of
from cells.queries.likely import stop_held
from cells.services.cell_warnings import look_again
from cells.services.count_charge import recount
from cells.services.readings import Instruments, keep_reading
from cells.services.run_steps import (
    ON_RUN,
    check_after,
    current_run,
    follow,
    require_state,
)
from config.refusals import refuse
from lots.declaration.event import Asks, Event
from lots.ledger.recording import Act, recorded_once


@recorded_once
def stop_run(
    *,
    run: CellRun,
    act: Act,
    last: Annotated[Instruments | None, Asks(help="The last reading before switching off.")] = None,
) -> CellRun:
    """Stops a running run, with its last reading if one was taken, and counts its ampere-hours.

    Raises ConflictError `run_not_running`; InvalidError `out_of_order`,
    `reading_out_of_order` when a reading lies after the stop.
    """
    run = current_run(run)
    require_state(run, CellRun.State.RUNNING, code="run_not_running", remedy="Start the run first.")
    check_after(act.moment, run.started_at, "the run was started")
    if last is not None:
        keep_reading(run, last, act.moment, act)
    readings = readings_of(run)
    if readings and readings[-1].taken_at > act.moment:
        raise refuse(
            "reading_out_of_order:stop_run", field="occurred_at", value=act.moment.isoformat()
        )
    run = follow(run, state=CellRun.State.STOPPED, stopped_at=act.moment)
    recount(run, act)
    look_again(run, act.moment)
    return run


STOP: Final = Event(
    stop_run,
    on=ON_RUN,
    at="stop",
    name="run-stop",
    about="Switch a running cell off.",
    title="Switch off",
    lead="The charge is counted from the readings up to now.",
    button="The current is off",
    done="The run is stopped. Take the remnant first, then the bag, then the crystal.",
    order=("current_a", "voltage_v"),
    cautions=("stop",),
    fixed={"last.is_interruption": False},
    likely=stop_held,
)
