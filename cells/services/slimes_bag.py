"""The filter bag comes out with its slimes: what did not dissolve, estimated by difference."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from decimal import Decimal
from typing import Annotated, Final

from cells.models import CellRun, SlimesBag, SlimesEstimate
from cells.queries.likely import bag_held
from cells.queries.slimes_expected import expected_slimes
from cells.services.cell_warnings import look_again
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
from lots.elements import STAYS_IN_SLIMES
from lots.ledger.drafts import Draft, Line, MaterialLine, StandingLine
from lots.ledger.holdings import AsOf, Holding, holding
from lots.ledger.posting import post
from lots.ledger.recording import Act, recorded_once
from lots.ledger.reversal import undo_for
from lots.measurements.weighings import Weight, keep_weighing
from lots.metals import Metal
from lots.models import Entry, Lot, Movement, Place, Weighing
from lots.services.lot_register import register_lot
from lots.units import round_to_ug

WHOLE: Final = Decimal(1)


@dataclass(frozen=True)
class BagTaken:
    """The bag as it came out. `weight` is of the slimes alone, dry, if they were weighed.

    Of a torn bag, `kept_share` says what part of the slimes is still in it; the rest fell among the
    crystal. Nothing said, nothing is taken to be left in it.
    """

    place: Annotated[Place, None, Asks("Where it is put")]
    weight: Weight | None = None
    torn: Annotated[bool, Asks("The bag is torn")] = False
    kept_share: Annotated[
        Decimal | None,
        Asks(
            "Share of the slimes still in a torn bag",
            "From 0 to 1, such as 0.8. The rest fell among the crystal.",
            at_least=0,
            at_most=1,
            digits=5,
            decimals=4,
        ),
    ] = None


@dataclass(frozen=True)
class _Booked:
    """One metal of the slimes: estimate with and without recovery factor, and what is booked."""

    metal: str
    mass_ug: int
    standard_uncertainty_ug: int
    unfactored_ug: int
    unfactored_u_ug: int
    booked_ug: int
    spilt_ug: int


@recorded_once
def bag_slimes(*, run: CellRun, bag: BagTaken, act: Act) -> SlimesBag:
    """Takes the slimes bag of a stopped run: its metal leaves the charge for the bag's own lot.

    Gold, platinum and rhodium: all that is left in the charge. Silver, copper and palladium: by the
    estimate from the charge and past recoveries. What a torn bag let fall stays with the charge
    until the harvest takes it. Raises ConflictError `run_not_stopped`, `run_never_ran`,
    `bag_already_taken`; InvalidError `not_a_fraction`, `not_torn`.
    """
    run = current_run(run)
    require_state(
        run,
        CellRun.State.STOPPED,
        code="run_not_stopped",
        remedy="Stop the run first, and bag the slimes before the harvest.",
    )
    require_charge_passed(run)
    check_step_moment(run, act)
    kept = _kept_share(bag)
    _refuse_second_bag(run)
    charge = run.charge_lot
    held = holding(charge, AsOf(act.moment))
    booked, dry_ug = _slimes(run, held, kept, act.moment)
    lot = register_lot(
        form=Lot.Form.SLIMES_BAG,
        owner=charge.owner,
        place=bag.place,
        content=Lot.Content.BY_DIFFERENCE,
        act=act,
        description=f"Slimes of run {run.code}{', bag torn' if bag.torn else ''}",
    )
    weighing = None
    mass_ug = min(round_to_ug(dry_ug * kept), held.mass_ug)
    if bag.weight is not None:
        weighing = keep_weighing(lot, bag.weight, Weighing.Purpose.OUTPUT, act)
        mass_ug = weighing.net_ug
    movement = post(
        Draft(
            kind=Movement.Kind.SLIMES,
            stage=Movement.Stage.CELL,
            lines=[line for each in booked for line in _lines(charge, lot, each)],
            materials=[
                MaterialLine(lot, mass_ug=mass_ug, quantity_by=weighing),
                MaterialLine(charge, mass_ug=-min(mass_ug, held.mass_ug), quantity_by=weighing),
            ],
            standings=[StandingLine(lot, bag.place, charge.owner)],
        ),
        act,
    )
    taken = SlimesBag.objects.create(
        lot=lot, run=run, bagged_at=act.moment, torn=bag.torn, kept_share=kept
    )
    SlimesEstimate.objects.bulk_create(
        SlimesEstimate(
            bag=taken,
            **vars(each),
        )
        for each in booked
    )
    attach(run, movement, lot)
    if bag.torn:
        follow(run, bag_torn=True)
    look_again(run, act.moment)
    return taken


BAG: Final = Event(
    bag_slimes,
    on=ON_RUN,
    at="slimes-bag",
    page_at="bag",
    name="run-bag",
    about="Take the slimes bag out; its content is estimated by difference from the charge.",
    title="Take the slimes bag",
    lead="What it should hold is estimated by difference from the charge.",
    button="Bag them",
    done="The bag is a lot of its own and waits for recovery. Label it and keep it wet.",
    cautions=("slimes",),
    flat=("bag",),
    order=("place", "torn"),
    likely=bag_held,
)


@undo_for(Movement.Kind.SLIMES)
def put_slimes_back(movement: Movement) -> None:
    """A bag can be put back while it waits and nothing is harvested on what it left."""
    run = refuse_if_later(movement, (Movement.Kind.HARVEST,))
    bag = SlimesBag.objects.get(lot__run_movements__movement=movement)
    if bag.state != SlimesBag.State.WAITING:
        raise refuse(
            "later_steps_stand:slimes_bag",
            field="movement",
            value=movement.sequence,
            bag=bag,
            bag_2=bag.get_state_display().lower(),
        )
    bag.state = SlimesBag.State.WITHDRAWN
    bag.version += 1
    bag.save(update_fields=["state", "version"])
    follow(run, bag_torn=False)


def require_charge_passed(run: CellRun) -> None:
    """Refuses what only a run that passed current can give (`run_never_ran`)."""
    count = run.coulomb_count
    if run.started_at is None or count is None or count.ampere_hours + count.gaps_ah <= 0:
        raise refuse("run_never_ran", field="run", value=run.code)


def _kept_share(bag: BagTaken) -> Decimal:
    if not bag.torn:
        if bag.kept_share not in {None, WHOLE}:
            raise refuse("not_torn", field="kept_share", value=bag.kept_share)
        return WHOLE
    kept = Decimal(0) if bag.kept_share is None else bag.kept_share
    if not kept.is_finite() or not 0 <= kept <= WHOLE or round(kept, 4) != kept:
        raise refuse("not_a_fraction", field="kept_share", value=bag.kept_share)
    return kept


def _refuse_second_bag(run: CellRun) -> None:
    bag = SlimesBag.objects.filter(run=run).exclude(state=SlimesBag.State.WITHDRAWN).first()
    if bag is not None:
        raise refuse("bag_already_taken:slimes_bag", field="run", value=run.code, bag=bag)


def _slimes(
    run: CellRun, held: Holding, kept: Decimal, at: dt.datetime
) -> tuple[list[_Booked], int]:
    """What of each metal stays undissolved, and the dry mass of all slimes.

    Metals that nobody stated are estimated, and not booked.
    """
    plain, expected = expected_slimes(run, held, at)
    booked = []
    for metal in Metal.values:
        estimate, before = expected.metals[metal], plain.metals[metal]
        in_charge = held.metals.get(metal, 0)
        slimes_ug = (
            in_charge if metal in STAYS_IN_SLIMES else min(in_charge, round_to_ug(estimate.mass_ug))
        )
        in_bag_ug = round_to_ug(slimes_ug * kept)
        booked.append(
            _Booked(
                metal=metal,
                mass_ug=round_to_ug(estimate.mass_ug * float(kept)),
                standard_uncertainty_ug=round_to_ug(estimate.u_mass_ug * float(kept)),
                unfactored_ug=round_to_ug(before.mass_ug * float(kept)),
                unfactored_u_ug=round_to_ug(before.u_mass_ug * float(kept)),
                booked_ug=in_bag_ug,
                spilt_ug=slimes_ug - in_bag_ug,
            )
        )
    return booked, round_to_ug(expected.dry_mass.mass_ug)


def _lines(charge: Lot, lot: Lot, each: _Booked) -> list[Line]:
    return [
        Line(
            each.metal,
            each.booked_ug,
            lot=lot,
            owner=charge.owner,
            basis=Entry.Basis.DIFFERENCE,
            standard_uncertainty_ug=each.standard_uncertainty_ug,
        ),
        Line(each.metal, -each.booked_ug, lot=charge, basis=Entry.Basis.DIFFERENCE),
    ]
