"""A slimes bag that was already waiting when the ledger began."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Annotated, Final, NoReturn

from cells.models import SlimesBag, SlimesEstimate
from config.refusals import refuse
from lots.declaration.event import Asks, Event
from lots.ledger.posting import house
from lots.ledger.recording import Act, recorded_once
from lots.ledger.reversal import undo_for
from lots.models import Lot, Movement, Place
from lots.people.roles import OFFICE
from lots.services.lot_register import LABEL_MAX
from lots.services.opening import ON_THE_FIRST_DAY, Amount, Opening, open_lot
from lots.sheets.openings import opener_for
from lots.texts import DESCRIPTION_MAX


@dataclass(frozen=True)
class WaitingBag:
    """A bag as it was found: where it is, what it should hold, and since when it waits."""

    place: Annotated[Place, None, Asks("Where it is")]
    metals: Annotated[
        Mapping[str, Amount],
        Asks(
            "What it should hold",
            "The mass of each metal with its unit, and its standard uncertainty if known.",
        ),
    ]
    mass_ug: Annotated[
        int,
        Asks(help="As it hangs; estimate it when it can't be weighed now.", positive=False),
    ] = 0
    bagged_at: Annotated[
        dt.datetime | None,
        Asks("Waits since", "The day it was taken out of its cell.", kind="day"),
    ] = None
    description: Annotated[str, Asks(at_most=DESCRIPTION_MAX)] = ""
    code: Annotated[
        str,
        Asks(
            "Label it already bears",
            "Only for a bag labelled by this works before.",
            at_most=LABEL_MAX,
        ),
    ] = ""
    torn: Annotated[bool, Asks("The bag is torn")] = False


@recorded_once
def open_bag(*, bag: WaitingBag, act: Act) -> SlimesBag:
    """Puts a waiting bag on the books with what it should hold, against the opening account.

    `bagged_at` is the act's moment unless told. Raises InvalidError `bagged_later` and what
    `open_lot` raises.
    """
    bagged_at = bag.bagged_at or act.moment
    if bagged_at > act.moment:
        raise refuse("bagged_later", field="bagged_at", value=bagged_at.isoformat())
    lot = open_lot(
        opening=Opening(
            form=Lot.Form.SLIMES_BAG,
            owner=house(),
            place=bag.place,
            metals=bag.metals,
            mass_ug=bag.mass_ug,
            content=Lot.Content.BY_DIFFERENCE,
            description=bag.description,
            code=bag.code,
        ),
        act=replace(act, key=""),
    )
    made = SlimesBag.objects.create(lot=lot, bagged_at=bagged_at, torn=bag.torn)
    SlimesEstimate.objects.bulk_create(
        SlimesEstimate(
            bag=made,
            metal=metal,
            mass_ug=amount.mass_ug,
            standard_uncertainty_ug=amount.standard_uncertainty_ug or 0,
            unfactored_ug=amount.mass_ug,
            unfactored_u_ug=amount.standard_uncertainty_ug or 0,
            booked_ug=amount.mass_ug,
        )
        for metal, amount in bag.metals.items()
    )
    return made


OPEN_BAG: Final = Event(
    open_bag,
    at="openings/slimes-bags",
    page_at="openings/bag",
    name="open-bag",
    about="Put a slimes bag already waiting on the books, as it was found when the ledger began.",
    title="A slimes bag that waited",
    lead=ON_THE_FIRST_DAY,
    button="Put it on the books",
    done="The bag is on the books and waits for recovery. Label it and keep it wet.",
    section="slimes",
    roles=OFFICE,
    cautions=("slimes",),
    flat=("bag",),
    order=("place", "metals", "mass", "bagged_at", "torn"),
)


@undo_for(Movement.Kind.OPENING)
def withdraw_bag(movement: Movement) -> None:
    """Reversing the opening withdraws the bag, unless it has gone on to a recovery."""
    bag = SlimesBag.objects.filter(run__isnull=True, lot__standings__movement=movement).first()
    if bag is None:
        return
    if bag.state != SlimesBag.State.WAITING:
        raise refuse("bag_not_waiting", field="movement", value=movement.sequence, bag=bag)
    SlimesBag.objects.filter(pk=bag.pk).update(
        state=SlimesBag.State.WITHDRAWN, version=bag.version + 1
    )


@opener_for(Lot.Form.SLIMES_BAG)
def _bag(opening: Opening, act: Act) -> Lot:
    """A bag that waits for its recovery; what it holds is the works' own."""
    if not opening.owner.is_house:
        raise refuse("not_the_house", field="owner", value=opening.owner.code)
    bag = WaitingBag(
        place=opening.place,
        metals=opening.metals,
        mass_ug=opening.mass_ug,
        description=opening.description,
        code=opening.code,
    )
    return open_bag(bag=bag, act=act).lot


@opener_for(Lot.Form.ELECTROLYTE)
def _electrolyte(opening: Opening, act: Act) -> NoReturn:
    raise refuse("form_not_opened", field="form", value=opening.form)
