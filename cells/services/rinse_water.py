"""The rinse water of a harvest is kept: its silver goes to cementation, not down the drain."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Final

from cells.electrochemistry.silver_chloride import rinse_sensitivity
from cells.models import CellRun
from cells.queries.likely import rinse_held
from cells.services.electrolytes import ASSAYED_IN_G_PER_L
from cells.services.run_steps import (
    ON_RUN,
    attach,
    check_step_moment,
    current_run,
    refuse_if_later,
    require_state,
)
from lots.declaration.event import Asks, Event
from lots.ledger import accounts
from lots.ledger.drafts import Draft, StandingLine
from lots.ledger.posting import post
from lots.ledger.recording import Act, recorded_once
from lots.ledger.reversal import undo_for
from lots.measurements.assays import AssayReport
from lots.measurements.outputs import Output, Volume, check_output, content_of, measure
from lots.measurements.surplus import draw, mark_surpluses
from lots.models import Lot, Movement, Place
from lots.services.lot_register import register_lot

# A finger's breadth in a test tube: common practice, no source.
_SAMPLE_ML: Final = 10


@dataclass(frozen=True)
class RinseWater:
    """How much rinse water, and what it holds: assayed in g/L, or estimated in micrograms."""

    volume: Volume
    place: Annotated[Place, None, Asks("Where it is put")]
    assay: AssayReport | None = None
    estimated: Annotated[
        Mapping[str, int] | None,
        Asks("Or an estimate of what it holds", "Masses with their unit, as in 12 g."),
    ] = None


@recorded_once
def take_rinse_water(*, run: CellRun, water: RinseWater, act: Act) -> Lot:
    """Takes the rinse water of a harvested run: its metal clung to the crystal as electrolyte.

    The water itself is fresh, so the electrolyte's volume stays. Raises ConflictError
    `run_not_harvested`; InvalidError `one_content_needed`, `not_positive`, `unknown_metal`.
    """
    run = current_run(run)
    require_state(
        run,
        CellRun.State.HARVESTED,
        code="run_not_harvested",
        remedy="Record the harvest first, and the rinse water before the run is closed.",
    )
    check_step_moment(run, act)
    bath = run.electrolyte.lot
    output = Output(
        form=Lot.Form.RINSE_WATER,
        place=water.place,
        volume=water.volume,
        assay=water.assay,
        estimated=water.estimated,
        description=f"Rinse water of run {run.code}",
    )
    check_output(output)
    lot = register_lot(
        form=Lot.Form.RINSE_WATER,
        owner=bath.owner,
        place=water.place,
        content=content_of(output),
        act=act,
        description=output.description,
    )
    contents, material = measure(lot, output, act)
    lines, surpluses = draw(bath, lot, contents, accounts.CELL_DIFFERENCE, act)
    movement = post(
        Draft(
            kind=Movement.Kind.RINSE,
            stage=Movement.Stage.RINSE,
            lines=lines,
            materials=[material],
            standings=[StandingLine(lot, water.place, bath.owner)],
        ),
        act,
    )
    mark_surpluses(movement, lot, accounts.CELL_DIFFERENCE, surpluses)
    attach(run, movement, lot)
    return lot


KEEP_RINSE_WATER: Final = Event(
    take_rinse_water,
    on=ON_RUN,
    at="rinse-water",
    page_at="rinse",
    name="run-rinse",
    about="Keep a run's rinse water as a lot, for cementation.",
    title="Keep the rinse water",
    lead=f"A drop of hydrochloric acid in {_SAMPLE_ML} ml of rinse surely clouds from "
    f"{rinse_sensitivity(_SAMPLE_ML).sure_mg_per_l:.0f} mg of silver in a litre; a fainter cloud "
    "is silver too.",
    button="Keep it",
    done="The rinse water is a lot of its own, for cementation.",
    cautions=("rinse",),
    flat=("water",),
    fixed=ASSAYED_IN_G_PER_L,
    order=("volume", "standard_uncertainty", "place", "estimated"),
    likely=rinse_held,
)


@undo_for(Movement.Kind.RINSE)
def undo_rinse(movement: Movement) -> None:
    """Rinse water can be taken back while the run is not closed on it."""
    refuse_if_later(movement, (Movement.Kind.RUN_CLOSE,))
