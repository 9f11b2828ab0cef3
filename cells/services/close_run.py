"""A run is closed: its electrolyte keeps what was measured or supposed, and goes on.

What was not measured stays in the bath as the balance of mass has it: what the charge gave less
the crystal weighed. What the estimate makes of it is kept beside the book, and the next assay puts
the book right. Nothing is posted as lost because nobody assayed it.
"""

from __future__ import annotations

from typing import Annotated, Any, Final

from cells.models import CellRun, ElectrolyteBatch
from cells.queries.likely import closing_held
from cells.queries.past_runs import to_keep
from cells.queries.run_estimate import run_now, untaught
from cells.services.book_to_measured import set_contents, set_volume
from cells.services.cell_warnings import look_again
from cells.services.electrolytes import (
    ASSAYED_IN_G_PER_L,
    ElectrolyteMeasurement,
    Measured,
    check_measurement,
    keep_measured,
    keep_reading,
    refuse_if_measured_since,
)
from cells.services.run_steps import (
    ON_RUN,
    attach,
    check_step_moment,
    current_run,
    follow,
    refuse_if_later,
    require_state,
)
from config.refusals import RefusalError, refuse
from lots.declaration.event import Asks, Event
from lots.ledger import accounts
from lots.ledger.drafts import Draft
from lots.ledger.holdings import AsOf, holding
from lots.ledger.posting import post
from lots.ledger.recording import Act, recorded_once
from lots.ledger.reversal import undo_for
from lots.measurements.surplus import rest_to_difference
from lots.models import Movement


@recorded_once
def close_run(
    *,
    run: CellRun,
    act: Act,
    measurement: Annotated[
        ElectrolyteMeasurement | None,
        Asks(help="The electrolyte as measured; what is not measured stays as the book supposes."),
    ] = None,
) -> CellRun:
    """Closes a harvested run and readies its electrolyte for the next use.

    With a measurement the electrolyte's book is set to it; what was not measured stays. Metal
    still standing in the charge goes to the cell difference. Raises ConflictError
    `run_not_harvested`; InvalidError as `measure_electrolyte`.
    """
    run = current_run(run)
    require_state(
        run,
        CellRun.State.HARVESTED,
        code="run_not_harvested",
        remedy="Harvest the run first; a run is closed once.",
    )
    check_step_moment(run, act)
    batch = run.electrolyte
    book = holding(batch.lot, AsOf(act.moment))
    measured = Measured(None, None, [])
    if measurement is not None:
        check_measurement(measurement)
        measured = keep_measured(batch.lot, measurement, book.volume_ul, act)
    lines = set_contents(batch.lot, book, measured.contents)
    movement = post(
        Draft(
            kind=Movement.Kind.RUN_CLOSE,
            stage=Movement.Stage.CELL,
            lines=[*lines, *rest_to_difference(run.charge_lot, accounts.CELL_DIFFERENCE, act)],
            materials=set_volume(batch.lot, book, measured.reading),
        ),
        act,
    )
    attach(run, movement)
    if measurement is not None:
        keep_reading(batch, measurement, measured, movement, act)
    _set_use(batch, run.use_number + 1)
    run = follow(
        run,
        state=CellRun.State.CLOSED,
        closed_at=act.moment,
        closing_movement=movement,
        estimated=_estimated(run, act),
    )
    look_again(run, act.moment)
    return run


CLOSE: Final = Event(
    close_run,
    on=ON_RUN,
    at="close",
    name="run-close",
    about="Close a run: its electrolyte keeps what was measured or supposed, and goes on.",
    title="Close the run",
    lead="Give the electrolyte as measured. What is not measured stays in it as the book supposes, "
    "with the estimate beside it, until an assay puts it right.",
    button="Close it",
    done="Closed. The electrolyte is ready for its next use.",
    cautions=("make_up",),
    fixed=ASSAYED_IN_G_PER_L,
    likely=closing_held,
)


@undo_for(Movement.Kind.RUN_CLOSE)
def reopen_run(movement: Movement) -> None:
    """Reversing the closing opens the run again, unless its electrolyte has gone on."""
    run = refuse_if_later(movement, ())
    batch = run.electrolyte
    refuse_if_measured_since(movement, batch.lot)
    later = (
        CellRun.objects.filter(electrolyte=batch, pk__gt=run.pk)
        .exclude(state=CellRun.State.WITHDRAWN)
        .first()
    )
    busy = (
        CellRun.objects.filter(cell=run.cell, pk__gt=run.pk)
        .exclude(state__in=[CellRun.State.WITHDRAWN, CellRun.State.CLOSED])
        .first()
    )
    blocking = later or busy
    if blocking is not None:
        what = f"electrolyte {batch}" if later is not None else f"cell {run.cell}"
        raise refuse(
            "later_steps_stand",
            field="movement",
            value=movement.sequence,
            blocking=blocking.code,
            what=what,
        )
    _set_use(batch, run.use_number)
    follow(
        run, state=CellRun.State.HARVESTED, closed_at=None, closing_movement=None, estimated=None
    )


def _estimated(run: CellRun, act: Act) -> dict[str, Any] | None:
    """What the run is kept as beside the book; nothing where the books make no run of it."""
    try:
        now = run_now(run, act.moment)
    except RefusalError:
        return None
    book = holding(run.electrolyte.lot, AsOf(act.moment))
    return to_keep(now.found, untaught(now.known), book)


def _set_use(batch: ElectrolyteBatch, use_number: int) -> None:
    batch.use_number = use_number
    batch.version += 1
    batch.save(update_fields=["use_number", "version"])
