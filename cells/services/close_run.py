"""A run is closed: the electrolyte is set to what it must hold, the rest is the run's difference.

The electrolyte's silver is measured, or follows from the balance of charge: what plated equals in
charge what dissolved, so every gram of copper that dissolved took 2 M(Ag) / M(Cu) of silver out of
the electrolyte, and every gram of palladium 2 M(Ag) / M(Pd). The book follows from the balance of
mass: what the charge gave less the crystal weighed. They differ by what was lost or misweighed.
"""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from math import hypot
from typing import Annotated, Final

from cells.models import CellRun, ElectrolyteBatch, Harvest, HarvestBalance
from cells.queries.content_uncertainty import relative_uncertainties
from cells.services.book_to_measured import set_contents, set_metal, set_volume
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
from config.refusals import refuse
from lots.declaration.event import Asks, Event
from lots.elements import ATOMIC_WEIGHTS, VALENCE_IN_SILVER_CELL
from lots.ledger import accounts
from lots.ledger.drafts import Draft, Line
from lots.ledger.holdings import AsOf, Holding, holding
from lots.ledger.posting import post
from lots.ledger.recording import Act, recorded_once
from lots.ledger.reversal import undo_for
from lots.measurements.outputs import Content
from lots.measurements.surplus import rest_to_difference
from lots.models import Entry, Movement
from lots.units import round_to_ug

# Grams of silver that plate for each gram of a metal that dissolves.
SILVER_PER_DISSOLVED: Final[dict[str, Decimal]] = {
    metal: valence * ATOMIC_WEIGHTS["Ag"].value / ATOMIC_WEIGHTS[metal].value
    for metal, valence in VALENCE_IN_SILVER_CELL.items()
}


@recorded_once
def close_run(
    *,
    run: CellRun,
    act: Act,
    measurement: Annotated[
        ElectrolyteMeasurement | None,
        Asks(
            help="The electrolyte as measured; without it, its silver follows the charge balance."
        ),
    ] = None,
) -> CellRun:
    """Closes a harvested run and readies its electrolyte for the next use.

    With a measurement the electrolyte's book is set to it; without one (or for silver, when it was
    not determined) silver is set by charge balance. Metal still standing in the charge goes to the
    cell difference too. Raises ConflictError `run_not_harvested`; InvalidError as
    `measure_electrolyte`.
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
    if "Ag" not in {content.metal for content in measured.contents}:
        lines += _silver_by_charge(run, book)
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
    run = follow(run, state=CellRun.State.CLOSED, closed_at=act.moment, closing_movement=movement)
    look_again(run, act.moment)
    return run


CLOSE: Final = Event(
    close_run,
    on=ON_RUN,
    at="close",
    name="run-close",
    about="Close a run: what is unaccounted for becomes the run's own difference.",
    title="Close the run",
    lead="Give the electrolyte as measured. Without a measurement its silver follows the charge "
    "balance. What is unaccounted for becomes the run's own difference.",
    button="Close it",
    done="Closed. The electrolyte is ready for its next use.",
    cautions=("make_up",),
    fixed=ASSAYED_IN_G_PER_L,
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
    follow(run, state=CellRun.State.HARVESTED, closed_at=None, closing_movement=None)


def _silver_by_charge(run: CellRun, book: Holding) -> list[Line]:
    """Lines that set the electrolyte's silver to what the balance of charge leaves in it.

    By charge the crystal should have taken the silver that dissolved and what copper and palladium
    drove out; by the book it took what was weighed. The electrolyte cannot hold less than nothing.
    """
    harvest = Harvest.objects.get(run=run, movement__reversed_by__isnull=True)
    balances = HarvestBalance.objects.filter(harvest=harvest)
    dissolved = {each.metal: each.dissolved_ug for each in balances}
    taken_ug = sum(each.from_solution_ug for each in balances if each.metal == "Ag")
    plated_ug = silver_plated_by_charge_ug(dissolved)
    change_ug = max(taken_ug - plated_ug, -book.metals.get("Ag", 0))
    unsure_ug = _uncertainty_ug(run, harvest, dissolved)
    content = Content("Ag", 0, Entry.Basis.COMPUTED, unsure_ug)
    return set_metal(run.electrolyte.lot, content, change_ug)


def silver_plated_by_charge_ug(dissolved_ug: Mapping[str, int]) -> int:
    """Silver that plates while these masses dissolve: equal charges at both electrodes."""
    return round_to_ug(
        sum(
            (ratio * dissolved_ug.get(metal, 0) for metal, ratio in SILVER_PER_DISSOLVED.items()),
            Decimal(0),
        )
    )


def _uncertainty_ug(run: CellRun, harvest: Harvest, dissolved_ug: Mapping[str, int]) -> int:
    """Of the change: the crystal's own, and each dissolved metal's as its charge is known."""
    relative = relative_uncertainties([run.charge_lot])[run.charge_lot_id]
    crystal_u_ug = (
        Entry.objects.filter(movement=harvest.movement, lot=harvest.lot, metal="Ag")
        .values_list("standard_uncertainty_ug", flat=True)
        .first()
    )
    return round(
        hypot(
            crystal_u_ug or 0,
            *(
                float(ratio) * dissolved_ug.get(metal, 0) * relative.get(metal, 0.0)
                for metal, ratio in SILVER_PER_DISSOLVED.items()
            ),
        )
    )


def _set_use(batch: ElectrolyteBatch, use_number: int) -> None:
    batch.use_number = use_number
    batch.version += 1
    batch.save(update_fields=["use_number", "version"])
