"""Water or metal in solution is added to an electrolyte, during a run or between runs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Annotated, Final

from django.db.models import Q

from cells.models import ElectrolyteBatch
from cells.queries.likely import top_up_held
from cells.services.cell_warnings import look_again
from cells.services.electrolytes import (
    DISSOLVED_FORMS,
    ON_ELECTROLYTE,
    current_batch,
    dissolve,
    refuse_if_measured_since,
    run_at,
)
from cells.services.run_steps import attach
from config.refusals import refuse
from lots.declaration.event import Asks, Event
from lots.ledger.drafts import Draft, MaterialLine
from lots.ledger.posting import post
from lots.ledger.recording import Act, recorded_once
from lots.ledger.reversal import undo_for
from lots.measurements.outputs import Volume, keep_volume
from lots.models import Lot, Movement
from lots.services.supplies import FROM_SUPPLIES
from lots.services.taking import ALL_OF_A_LOT, Take, check_at_hand


@dataclass(frozen=True)
class Addition:
    """What was poured in: its own volume, and metal from lots or supplies."""

    volume: Volume | None = None
    takes: Annotated[Sequence[Take], Asks("Lots dissolved in it", ALL_OF_A_LOT)] = ()
    supplies_ug: Annotated[Mapping[str, int], FROM_SUPPLIES] = field(default_factory=dict)


@recorded_once
def top_up_electrolyte(*, batch: ElectrolyteBatch, addition: Addition, act: Act) -> Movement:
    """Adds to an electrolyte; while it is in a run the addition is noted with that run.

    Raises InvalidError `nothing_taken`, `not_positive`, `unknown_metal`; ConflictError as `take`.
    """
    batch = current_batch(batch)
    check_at_hand(batch.lot, field="electrolyte")
    if not (addition.volume or addition.takes or addition.supplies_ug):
        raise refuse("nothing_taken:top_up", field="addition")
    dissolved = dissolve(batch.lot, addition.takes, addition.supplies_ug, act)
    materials = dissolved.materials
    if addition.volume is not None:
        reading = keep_volume(batch.lot, addition.volume, act)
        materials.append(MaterialLine(batch.lot, volume_ul=reading.volume_ul, quantity_by=reading))
    if dissolved.volume_ul:
        materials.append(MaterialLine(batch.lot, volume_ul=dissolved.volume_ul))
    movement = post(
        Draft(
            kind=Movement.Kind.TOP_UP,
            stage=Movement.Stage.CELL,
            lines=dissolved.lines,
            claims=dissolved.claims,
            materials=materials,
        ),
        act,
    )
    run = run_at(batch, act.moment)
    if run is not None:
        attach(run, movement)
        look_again(run, act.moment)
    return movement


TOP_UP: Final = Event(
    top_up_electrolyte,
    on=ON_ELECTROLYTE,
    at="top-up",
    name="electrolyte-top-up",
    about="Top up an electrolyte with lots dissolved, supplies or water, also during a run.",
    title="Top up the electrolyte",
    button="Add it",
    done="Added.",
    cautions=("top_up",),
    flat=("addition",),
    asked_as={"inputs": "takes", "addition": ""},
    offered_forms=DISSOLVED_FORMS,
    likely=top_up_held,
)


@undo_for(Movement.Kind.TOP_UP)
def undo_top_up(movement: Movement) -> None:
    """A top-up can be taken back while no later measurement of the electrolyte rests on it."""
    touched = Lot.objects.filter(
        Q(entries__movement=movement) | Q(material_entries__movement=movement),
        form=Lot.Form.ELECTROLYTE,
    ).distinct()
    for lot in touched:
        refuse_if_measured_since(movement, lot)
