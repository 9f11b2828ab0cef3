"""A volume is taken out of an electrolyte, to be cemented or kept."""

from __future__ import annotations

from typing import Annotated, Final

from cells.models import ElectrolyteBatch
from cells.queries.likely import bleed_held
from cells.services.electrolytes import (
    ASSAYED_IN_G_PER_L,
    ON_ELECTROLYTE,
    current_batch,
    is_changed,
    refuse_if_measured_since,
    run_at,
)
from cells.services.run_steps import attach
from config.refusals import refuse
from lots.declaration.event import Asks, Event
from lots.ledger import accounts
from lots.ledger.drafts import Draft, StandingLine
from lots.ledger.posting import post
from lots.ledger.recording import Act, recorded_once
from lots.ledger.reversal import undo_for
from lots.measurements.assays import AssayReport
from lots.measurements.outputs import Output, Volume, check_output, keep_volume, measure
from lots.measurements.surplus import Surplus, draw, mark_surpluses
from lots.models import Lot, Movement, Place
from lots.services.lot_register import register_lot
from lots.services.taking import Take, check_at_hand, into, take


@recorded_once
def bleed_electrolyte(
    *,
    batch: ElectrolyteBatch,
    volume: Volume,
    place: Annotated[Place, None, Asks("Where it is put")],
    act: Act,
    assay: AssayReport | None = None,
) -> Lot:
    """Takes `volume` out as a lot of solution, every metal in proportion, or by its own assay.

    While a run is under way the electrolyte is no longer what the book says, so its assay is needed
    (`assay_needed`). Raises ConflictError `more_than_there_is`, `lot_not_available`.
    """
    batch = current_batch(batch)
    check_at_hand(batch.lot, field="electrolyte")
    run = run_at(batch, act.moment)
    if run is not None and is_changed(run, act.moment) and assay is None:
        raise refuse("assay_needed", field="assay", value=batch.lot.code, batch=batch, run=run.code)
    solution = register_lot(
        form=Lot.Form.SOLUTION,
        owner=batch.lot.owner,
        place=place,
        content=Lot.Content.ASSAYED if assay else Lot.Content.BY_PROPORTION,
        act=act,
        description=f"Bled from {batch}",
    )
    standing = StandingLine(solution, place, batch.lot.owner)
    taken = take([Take(batch.lot, volume_ul=volume.volume_ul)], act, field="bleed")
    surpluses: list[Surplus] = []
    if assay is None:
        keep_volume(solution, volume, act)
        lines, materials = into(solution, batch.lot.owner, taken)
        lines = [*taken.lines, *lines]
    else:
        output = Output(form=Lot.Form.SOLUTION, place=place, volume=volume, assay=assay)
        check_output(output)
        contents, material = measure(solution, output, act)
        lines, surpluses = draw(batch.lot, solution, contents, accounts.CELL_DIFFERENCE, act)
        materials = [material]
    movement = post(
        Draft(
            kind=Movement.Kind.BLEED,
            stage=Movement.Stage.CELL,
            lines=lines,
            materials=[*taken.materials, *materials],
            standings=[standing],
        ),
        act,
    )
    mark_surpluses(movement, solution, accounts.CELL_DIFFERENCE, surpluses)
    if run is not None:
        attach(run, movement, solution)
    return solution


BLEED: Final = Event(
    bleed_electrolyte,
    on=ON_ELECTROLYTE,
    at="bleed",
    name="electrolyte-bleed",
    about="Bleed electrolyte into a solution lot, for cementation.",
    title="Bleed the electrolyte",
    lead="Taken out as a lot of solution, for cementation.",
    button="Take it out",
    done="Bled: the solution is a lot of its own.",
    cautions=("bleed",),
    asked_as={"bleed.0": ""},
    fixed=ASSAYED_IN_G_PER_L,
    order=("place", "volume", "standard_uncertainty"),
    likely=bleed_held,
)


@undo_for(Movement.Kind.BLEED)
def undo_bleed(movement: Movement) -> None:
    """A bleed can be put back while no later measurement of the electrolyte rests on it."""
    for material in movement.material_entries.select_related("lot"):
        if material.lot.form == Lot.Form.ELECTROLYTE:
            refuse_if_measured_since(movement, material.lot)
