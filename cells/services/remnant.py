"""What the anode left undissolved is taken back, rinsed, dried and weighed, to be fed again."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Final

from cells.models import CellRun, SlimesBag
from cells.queries.content_uncertainty import relative_uncertainties
from cells.queries.likely import remnant_held
from cells.services.run_steps import (
    ON_RUN,
    attach,
    check_step_moment,
    current_run,
    refuse_if_later,
    require_state,
)
from config.refusals import refuse
from lots.declaration.event import Asks, Event
from lots.ledger.drafts import Draft, Line, MaterialLine, StandingLine
from lots.ledger.holdings import AsOf, holding
from lots.ledger.posting import post
from lots.ledger.recording import Act, recorded_once
from lots.ledger.reversal import undo_for
from lots.measurements.weighings import Weight, keep_weighing
from lots.models import Lot, Movement, Place, Weighing
from lots.portions import portion_by_mass
from lots.services.lot_register import register_lot


@recorded_once
def take_remnant(
    *,
    run: CellRun,
    weight: Weight,
    place: Annotated[Place, None, Asks("Where it is put")],
    act: Act,
) -> Lot:
    """Takes the remnant of a stopped run, its content in proportion to the charge.

    Raises ConflictError `run_not_stopped`, `bag_already_taken`, `more_than_there_is`.
    """
    run = current_run(run)
    require_state(
        run,
        CellRun.State.STOPPED,
        code="run_not_stopped",
        remedy="Stop the run, and take the remnant before the slimes bag and the harvest.",
    )
    check_step_moment(run, act)
    bag = SlimesBag.objects.filter(run=run).exclude(state=SlimesBag.State.WITHDRAWN).first()
    if bag is not None:
        raise refuse("bag_already_taken", field="run", value=run.code, bag=bag)
    charge = run.charge_lot
    held = holding(charge, AsOf(act.moment))
    portion = portion_by_mass(
        held.metals, held.mass_ug, held.volume_ul, weight.net_ug, field="weight.gross"
    )
    lot = register_lot(
        form=Lot.Form.ANODE_REMNANT,
        owner=charge.owner,
        place=place,
        content=Lot.Content.BY_PROPORTION,
        act=act,
        description=f"Remnant of run {run.code}",
    )
    weighing = keep_weighing(lot, weight, Weighing.Purpose.OUTPUT, act)
    relative = relative_uncertainties([charge])[charge.pk]
    into_remnant = [
        Line(
            metal,
            mass_ug,
            lot=lot,
            owner=charge.owner,
            standard_uncertainty_ug=round(mass_ug * relative.get(metal, 0.0)),
            quantity_by=weighing,
        )
        for metal, mass_ug in portion.metals.items()
    ]
    out_of_charge = [
        replace(line, mass_ug=-line.mass_ug, lot=charge, standard_uncertainty_ug=None)
        for line in into_remnant
    ]
    movement = post(
        Draft(
            kind=Movement.Kind.REMNANT,
            stage=Movement.Stage.CELL,
            lines=[*into_remnant, *out_of_charge],
            materials=[
                MaterialLine(lot, mass_ug=weighing.net_ug, quantity_by=weighing),
                MaterialLine(charge, mass_ug=-weighing.net_ug, quantity_by=weighing),
            ],
            standings=[StandingLine(lot, place, charge.owner)],
        ),
        act,
    )
    attach(run, movement, lot)
    return lot


TAKE_REMNANT: Final = Event(
    take_remnant,
    on=ON_RUN,
    at="remnant",
    name="run-remnant",
    about="Take undissolved feed back out of the basket, as a lot of its own.",
    title="Take the anode remnant",
    lead="Undissolved feed, rinsed and dry. Its content is in proportion to the charge.",
    button="Take it",
    done="The remnant is a lot of its own. Print its label.",
    order=("gross", "tare", "balance", "place"),
    cautions=("stop",),
    likely=remnant_held,
)


@undo_for(Movement.Kind.REMNANT)
def put_remnant_back(movement: Movement) -> None:
    """A remnant can be put back while neither bag nor harvest rests on what was left."""
    kinds = Movement.Kind
    refuse_if_later(movement, (kinds.REMNANT, kinds.SLIMES, kinds.HARVEST))
