"""A new electrolyte: made from metal dissolved in acid, or found in use when the ledger begins."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Annotated, Final

from cells.models import Cell, CellRun, ElectrolyteBatch
from cells.queries.likely import made_up_held, opened_held
from cells.services.electrolytes import (
    ASSAYED_IN_G_PER_L,
    DISSOLVED_FORMS,
    ElectrolyteMeasurement,
    check_measurement,
    dissolve,
    keep_measured,
    keep_reading,
    refuse_if_measured_since,
    register_electrolyte,
)
from config.refusals import refuse
from lots.declaration.event import Asks, Event
from lots.ledger import accounts
from lots.ledger.drafts import Draft, Line, MaterialLine, StandingLine
from lots.ledger.posting import post
from lots.ledger.recording import Act, recorded_once
from lots.ledger.reversal import undo_for
from lots.measurements.outputs import Volume, keep_volume
from lots.models import Lot, Movement, Place
from lots.people.roles import OFFICE
from lots.services.opening import ON_THE_FIRST_DAY
from lots.services.supplies import FROM_SUPPLIES
from lots.services.taking import ALL_OF_A_LOT, Take
from lots.texts import DESCRIPTION_MAX


@dataclass(frozen=True)
class MakeUp:
    """What was dissolved, where it stands, and its measured volume.

    `takes` are portions of lots, `supplies_ug` metal from supplies (such as bought silver nitrate).
    `place` counts when it stands in no cell.
    """

    place: Annotated[Place, None, Asks("Where it stands")]
    volume: Volume
    takes: Annotated[Sequence[Take], Asks("Lots dissolved in it", ALL_OF_A_LOT)] = ()
    supplies_ug: Annotated[Mapping[str, int], FROM_SUPPLIES] = field(default_factory=dict)
    cell: Annotated[Cell | None, None, Asks(help="If it stands in one.")] = None
    description: Annotated[str, Asks(at_most=DESCRIPTION_MAX)] = ""


@dataclass(frozen=True)
class ElectrolyteInUse:
    """An electrolyte already there when the ledger begins, as measured, and which use it is in."""

    place: Annotated[Place, None, Asks("Where it stands")]
    measurement: ElectrolyteMeasurement
    use_number: Annotated[
        int, Asks("Which use it is in, or ready for", at_least=1, at_most=100_000)
    ] = 1
    cell: Annotated[Cell | None, None, Asks(help="If it stands in one.")] = None
    description: Annotated[str, Asks(at_most=DESCRIPTION_MAX)] = ""


@recorded_once
def prepare_electrolyte(*, make_up: MakeUp, act: Act) -> ElectrolyteBatch:
    """Makes an electrolyte. Customers' metal dissolved in it joins the pool by claims.

    Raises InvalidError `nothing_taken`, `not_positive`, `unknown_metal`; ConflictError as `take`.
    """
    if not make_up.takes and not make_up.supplies_ug:
        raise refuse("nothing_taken", field="inputs")
    batch = register_electrolyte(
        make_up.place,
        make_up.cell,
        Lot.Content.BY_PROPORTION,
        act,
        use_number=1,
        description=make_up.description,
    )
    reading = keep_volume(batch.lot, make_up.volume, act)
    dissolved = dissolve(batch.lot, make_up.takes, make_up.supplies_ug, act)
    volume = MaterialLine(batch.lot, volume_ul=reading.volume_ul, quantity_by=reading)
    post(
        Draft(
            kind=Movement.Kind.ELECTROLYTE,
            stage=Movement.Stage.CELL,
            lines=dissolved.lines,
            claims=dissolved.claims,
            materials=[volume, *dissolved.materials],
            standings=[StandingLine(batch.lot, batch.lot.place, batch.lot.owner)],
        ),
        act,
    )
    return batch


PREPARE: Final = Event(
    prepare_electrolyte,
    at="electrolytes/prepare",
    name="electrolyte-prepare",
    about="Make up a new electrolyte from lots dissolved and from supplies.",
    title="Prepare electrolyte",
    lead="From lots dissolved and from supplies, with its measured volume.",
    button="Put it on the books",
    done="The electrolyte is a lot of its own. Label its carboy.",
    section="cells",
    cautions=("make_up",),
    flat=("make_up",),
    asked_as={"inputs": "takes"},
    order=("place", "cell", "volume", "standard_uncertainty", "takes", "supplies"),
    offered_forms=DISSOLVED_FORMS,
    likely=made_up_held,
)


@recorded_once
def open_electrolyte(*, electrolyte: ElectrolyteInUse, act: Act) -> ElectrolyteBatch:
    """Puts an electrolyte in use on the books, for a works that begins the ledger mid-operation.

    Raises InvalidError `quantity_needed` without a volume and an assay, `not_positive`.
    """
    measurement = electrolyte.measurement
    check_measurement(measurement)
    if measurement.volume is None or measurement.assay is None:
        raise refuse("quantity_needed", field="volume" if measurement.volume is None else "assay")
    if electrolyte.use_number < 1:
        raise refuse(
            "not_positive:prepare_electrolyte", field="use_number", value=electrolyte.use_number
        )
    batch = register_electrolyte(
        electrolyte.place,
        electrolyte.cell,
        Lot.Content.ASSAYED,
        act,
        use_number=electrolyte.use_number,
        description=electrolyte.description,
    )
    measured = keep_measured(batch.lot, measurement, 0, act)
    assert measured.reading is not None
    lines = [
        line
        for content in measured.contents
        for line in (
            Line(
                content.metal,
                content.mass_ug,
                lot=batch.lot,
                basis=content.basis,
                standard_uncertainty_ug=content.standard_uncertainty_ug,
                quantity_by=content.quantity_by,
                content_by=content.content_by,
            ),
            Line(content.metal, -content.mass_ug, account=accounts.OPENING, basis=content.basis),
        )
    ]
    movement = post(
        Draft(
            kind=Movement.Kind.OPENING,
            stage=Movement.Stage.CELL,
            lines=lines,
            materials=[
                MaterialLine(
                    batch.lot,
                    volume_ul=measured.reading.volume_ul,
                    quantity_by=measured.reading,
                )
            ],
            standings=[StandingLine(batch.lot, batch.lot.place, batch.lot.owner)],
        ),
        act,
    )
    keep_reading(batch, measurement, measured, movement, act)
    return batch


OPEN: Final = Event(
    open_electrolyte,
    at="openings/electrolytes",
    page_at="openings/electrolyte",
    name="open-electrolyte",
    about="Put an electrolyte already in use on the books, as measured when the ledger began.",
    title="An electrolyte in use",
    lead=f"{ON_THE_FIRST_DAY} Its volume and its assay in g/L say what it holds.",
    button="Put it on the books",
    done="The electrolyte is on the books. Label its cell or carboy.",
    section="cells",
    roles=OFFICE,
    cautions=("run",),
    flat=("electrolyte",),
    fixed=ASSAYED_IN_G_PER_L,
    order=("place", "cell", "use_number", "volume", "standard_uncertainty", "results", "method"),
    likely=opened_held,
)


@undo_for(Movement.Kind.ELECTROLYTE)
@undo_for(Movement.Kind.OPENING)
def refuse_if_used(movement: Movement) -> None:
    """An electrolyte can be taken off the books only while no run has used it."""
    batch = ElectrolyteBatch.objects.filter(lot__standings__movement=movement).first()
    if batch is None:
        return
    refuse_if_measured_since(movement, batch.lot)
    run = CellRun.objects.filter(electrolyte=batch).exclude(state=CellRun.State.WITHDRAWN).first()
    if run is not None:
        raise refuse(
            "later_steps_stand:prepare_electrolyte",
            field="movement",
            value=movement.sequence,
            batch=batch,
            run=run.code,
        )
