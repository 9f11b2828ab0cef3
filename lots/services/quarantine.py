"""A lot is set aside until someone says it is right again."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Final

from django.db.models import F

from config.refusals import refuse
from lots.declaration.common import Reason
from lots.declaration.event import Asks, Event
from lots.ledger.drafts import Draft, StandingLine
from lots.ledger.holdings import AsOf
from lots.ledger.posting import post
from lots.ledger.recording import Act, recorded_once
from lots.ledger.reversal import undo_for
from lots.ledger.standings import standings_of
from lots.models import Lot, Movement, Party, Place
from lots.people.roles import ASSAYING
from lots.services.lot_register import ON_LOT, of_lot
from lots.services.taking import check_at_hand
from lots.services.transfer import moved_to
from lots.texts import checked_reason

QUARANTINE: Final = "quarantine"
RELEASE: Final = "release"


@recorded_once
def quarantine_lot(
    *,
    lot: Lot,
    reason: Reason,
    act: Act,
    place: Annotated[Place | None, Asks("Carried to", empty="it stays where it is")] = None,
) -> Movement:
    """Sets a lot aside, at `place` when it is carried there; nothing is made of it meanwhile.

    Raises InvalidError `empty`, `too_long`; ConflictError `lot_not_available`,
    `lot_not_there_yet`, `place_not_in_use`, `already_there`.
    """
    reason = checked_reason(reason)
    check_at_hand(lot, field="lot")
    return set_aside(lot, reason, act, place)


TO_QUARANTINE: Final = Event(
    quarantine_lot,
    on=ON_LOT,
    at="quarantine",
    name="set-aside",
    about="Set a lot aside; nothing is made of it meanwhile.",
    title="Set aside",
    lead="Nothing is made of it until it is released.",
    button="Set it aside",
    done="In quarantine.",
    page_at="set-aside",
    menu=of_lot("Set aside", 45, "Into quarantine, with the reason", Lot.State.AVAILABLE),
)


def set_aside(
    lot: Lot,
    reason: Reason,
    act: Act,
    place: Annotated[Place | None, Asks("Carried to", empty="it stays where it is")] = None,
) -> Movement:
    """Quarantine as part of another service, such as the harvest of a torn bag."""
    movement = _post(lot, QUARANTINE, replace(act, note=reason), place)
    _become(lot, Lot.State.QUARANTINED, reason)
    return movement


@recorded_once
def release_lot(
    *,
    lot: Lot,
    reason: Reason,
    act: Act,
    place: Annotated[Place | None, Asks("Carried to", empty="it stays where it is")] = None,
) -> Movement:
    """Lets a lot be used again, and says why.

    Raises InvalidError `empty`, `too_long`; ConflictError `not_in_quarantine`,
    `lot_not_there_yet`, `place_not_in_use`, `already_there`.
    """
    reason = checked_reason(reason)
    lot.refresh_from_db(fields=["state", "state_reason"])
    if lot.state != Lot.State.QUARANTINED:
        raise refuse("not_in_quarantine", field="lot", value=lot.code)
    movement = _post(lot, RELEASE, replace(act, note=reason), place)
    _become(lot, Lot.State.AVAILABLE, "")
    return movement


FROM_QUARANTINE: Final = Event(
    release_lot,
    on=ON_LOT,
    at="release",
    name="release",
    about="Let a lot be used again, and say why.",
    title="Release",
    lead="",
    button="Release it",
    done="It can be used again.",
    roles=ASSAYING,
    menu=of_lot("Release", 46, "Out of quarantine", Lot.State.QUARANTINED),
)


@undo_for(Movement.Kind.TRANSFER)
def undo_quarantine(movement: Movement) -> None:
    """Reversing a quarantine releases the lot; reversing a release sets it aside again."""
    standing = movement.standings.select_related("lot").first()
    if standing is None or movement.cause not in {QUARANTINE, RELEASE}:
        return
    lot = standing.lot
    if movement.cause == QUARANTINE and lot.state == Lot.State.QUARANTINED:
        _become(lot, Lot.State.AVAILABLE, "")
    elif movement.cause == RELEASE and lot.state == Lot.State.AVAILABLE:
        earlier = (
            Movement.objects.filter(
                standings__lot=lot, cause=QUARANTINE, sequence__lt=movement.sequence
            )
            .order_by("-sequence")
            .first()
        )
        _become(lot, Lot.State.QUARANTINED, "" if earlier is None else earlier.note)


def _post(lot: Lot, cause: str, act: Act, place: Place | None) -> Movement:
    return post(
        Draft(
            kind=Movement.Kind.TRANSFER,
            stage=Movement.Stage.STORE,
            cause=cause,
            standings=[_where_it_is(lot, act) if place is None else moved_to(lot, place, act)],
        ),
        act,
    )


def _where_it_is(lot: Lot, act: Act) -> StandingLine:
    standing = standings_of([lot], AsOf(act.moment)).get(lot.pk)
    if standing is None:
        raise refuse(
            "lot_not_there_yet", field="occurred_at", value=act.moment.isoformat(), lot=lot.code
        )
    return StandingLine(
        lot,
        Place.objects.get(pk=standing.place_id),
        Party.objects.get(pk=standing.owner_id),
    )


def _become(lot: Lot, state: str, reason: str) -> None:
    Lot.objects.filter(pk=lot.pk).update(state=state, state_reason=reason, version=F("version") + 1)
    lot.state, lot.state_reason = state, reason
