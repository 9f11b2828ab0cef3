"""A lot is carried to another place; its metal and its owner stay what they are."""

from __future__ import annotations

from typing import Annotated, Final

from config.refusals import refuse
from lots.declaration.event import Asks, Event
from lots.ledger.drafts import Draft, StandingLine
from lots.ledger.holdings import AsOf
from lots.ledger.posting import post
from lots.ledger.recording import Act, recorded_once
from lots.ledger.standings import standings_of
from lots.models import Lot, Movement, Party, Place
from lots.services.lot_register import NOT_MOVING, ON_LOT, of_lot
from lots.services.taking import check_at_hand


@recorded_once
def transfer_lot(
    *, lot: Lot, place: Annotated[Place, None, Asks("Where it goes")], act: Act
) -> Movement:
    """Moves a lot that is at hand, or in quarantine, to another place.

    Raises ConflictError `lot_not_available`, `lot_not_there_yet`, `place_not_in_use`,
    `already_there`.
    """
    check_at_hand(lot, field="lot", also={Lot.State.QUARANTINED})
    return post(
        Draft(
            kind=Movement.Kind.TRANSFER,
            stage=Movement.Stage.STORE,
            standings=[moved_to(lot, place, act)],
        ),
        act,
    )


TRANSFER: Final = Event(
    transfer_lot,
    on=ON_LOT,
    at="transfer",
    name="transfer",
    about="Move a lot to another place.",
    title="Carry to another place",
    button="Record where it stands",
    done="Its new place is recorded.",
    menu=of_lot("Carry elsewhere", 40, "Its place", *NOT_MOVING),
)


def moved_to(lot: Lot, place: Place, act: Act) -> StandingLine:
    """The lot's standing at its new place. Raises as `transfer_lot` does."""
    place.refresh_from_db(fields=["is_active"])
    if not place.is_active:
        raise refuse("place_not_in_use:transfer", field="place", value=place.code, place=place)
    standing = standings_of([lot], AsOf(act.moment)).get(lot.pk)
    if standing is None:
        raise refuse(
            "lot_not_there_yet", field="occurred_at", value=act.moment.isoformat(), lot=lot.code
        )
    if standing.place_id == place.pk:
        raise refuse("already_there", field="place", value=place.code, lot=lot.code)
    return StandingLine(lot, place, Party.objects.get(pk=standing.owner_id))
