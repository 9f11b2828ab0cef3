"""Takes back a movement by posting its mirror image; nothing is edited or removed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Final

from django.db.models import Max, Q, QuerySet

from config.refusals import refuse
from lots import clock
from lots.ledger.drafts import ClaimLine, Draft, Line, MaterialLine, StandingLine
from lots.ledger.posting import post
from lots.ledger.recording import Act, recorded_once
from lots.models import BooksMonth, ContentChange, Excess, LotStanding, Movement

# What a movement meant to something outside the ledger (a process batch, a cell run) is undone by
# the functions registered for its kind, in the order of their apps; each refuses when that
# something has moved on.
Undo = Callable[[Movement], None]
_UNDO: Final[dict[str, list[Undo]]] = {}


def undo_for(kind: str) -> Callable[[Undo], Undo]:
    """Registers how the meaning of a movement kind is undone when it is reversed."""

    def register(undo: Undo) -> Undo:
        _UNDO.setdefault(kind, []).append(undo)
        return undo

    return register


@recorded_once
def reverse_movement(*, movement: Movement, reason: str, act: Act) -> Movement:
    """Posts the exact opposite of `movement`, at its own moment if that month is still open.

    Otherwise it occurs now, in the open month; after a later move of its lots that was reversed
    already, at the moment of that. Refuses a movement already reversed, a reversal, one
    whose lots an assay was ruled for since, and one whose metal has moved on since
    (`lot_overdrawn`, naming the date and the lot).
    """
    movement = Movement.objects.select_related("counterparty").get(pk=movement.pk)
    if Movement.objects.filter(reverses=movement).exists():
        raise refuse("already_reversed", field="movement", value=movement.sequence)
    if movement.reverses_id is not None:
        raise refuse("is_a_reversal", field="movement", value=movement.sequence)
    _check_not_ruled_since(movement)
    for undo in _UNDO.get(movement.kind, ()):
        undo(movement)
    act = replace(act, occurred_at=_moment(movement), note=reason)
    reversal = post(_mirror(movement, act.moment), act)
    _explain_excesses(movement, reversal)
    return reversal


def _check_not_ruled_since(movement: Movement) -> None:
    """A ruling counted on the movement, so it has to go before the movement can."""
    later = (
        ContentChange.objects.filter(
            Q(lot__entries__movement=movement) | Q(lot__material_entries__movement=movement),
            movement__sequence__gt=movement.sequence,
            movement__reversed_by__isnull=True,
        )
        .select_related("lot", "movement")
        .order_by("-movement__sequence")
        .first()
    )
    if later is not None:
        raise refuse(
            "ruled_since",
            field="movement",
            value=movement.sequence,
            later=later.lot.code,
            later_2=later.movement.sequence,
        )


def _moment(movement: Movement) -> dt.datetime:
    """Its own moment, unless the books up to then are closed.

    A lot it moved may have been moved and put back since. The putting back says where the lot is
    from its moment on, so the reversal can't be before it.
    """
    closed = BooksMonth.objects.filter(
        state=BooksMonth.State.CLOSED, ends_at__gt=movement.occurred_at
    ).exists()
    if closed:
        return clock.now()
    since = [
        LotStanding.objects.filter(lot=each.lot_id, pk__gt=each.pk)
        for each in movement.standings.all()
        if _earlier(each).exists()
    ]
    latest = [each.aggregate(latest=Max("occurred_at"))["latest"] for each in since]
    moments: list[dt.datetime] = [movement.occurred_at, *filter(None, latest)]
    return max(moments)


def _earlier(standing: LotStanding) -> QuerySet[LotStanding]:
    return LotStanding.objects.filter(lot=standing.lot_id, pk__lt=standing.pk)


def _mirror(movement: Movement, moment: dt.datetime) -> Draft:
    return Draft(
        kind=Movement.Kind.REVERSAL,
        stage=movement.stage,
        cause=movement.cause,
        counterparty=movement.counterparty,
        reverses=movement,
        lines=[
            Line(
                lot=entry.lot,
                account=entry.account.code if entry.account else "",
                owner=entry.owner,
                metal=entry.metal,
                mass_ug=-entry.mass_ug,
                standard_uncertainty_ug=entry.standard_uncertainty_ug,
                basis=entry.basis,
                quantity_by=entry.quantity_by,
                content_by=entry.content_by,
            )
            for entry in movement.entries.select_related(
                "lot", "account", "owner", "quantity_by", "content_by"
            ).order_by("id")
        ],
        claims=[
            ClaimLine(owner=claim.owner, metal=claim.metal, mass_ug=-claim.mass_ug)
            for claim in movement.claim_entries.select_related("owner").order_by("id")
        ],
        materials=[
            MaterialLine(
                lot=material.lot,
                mass_ug=-material.mass_ug,
                volume_ul=-material.volume_ul,
                quantity_by=material.quantity_by,
            )
            for material in movement.material_entries.select_related("lot", "quantity_by").order_by(
                "id"
            )
        ],
        standings=list(_standings_before(movement, moment)),
    )


def _standings_before(movement: Movement, moment: dt.datetime) -> Iterator[StandingLine]:
    """What each lot's standing is at `moment` without this movement.

    A lot that began with the movement keeps its own.
    """
    for standing in movement.standings.select_related("lot"):
        # A later change that was itself reversed has left the lot as it was.
        later = LotStanding.objects.filter(
            lot=standing.lot,
            pk__gt=standing.pk,
            movement__reversed_by__isnull=True,
            movement__reverses__isnull=True,
        )
        if later.exists():
            raise refuse(
                "lot_moved_since",
                field="movement",
                value=movement.sequence,
                standing=standing.lot.code,
            )
        before = (
            _earlier(standing)
            .filter(occurred_at__lte=moment)
            .select_related("place", "owner")
            .order_by("occurred_at", "pk")
            .last()
        )
        if before is not None:
            yield StandingLine(lot=standing.lot, place=before.place, owner=before.owner)


def _explain_excesses(movement: Movement, reversal: Movement) -> None:
    """What a reversed movement drew above the book is explained: it never came out."""
    movement.excesses.filter(state=Excess.State.OPEN).update(
        state=Excess.State.EXPLAINED,
        explanation=f"Reversed by movement {reversal.sequence}: {reversal.note}"[:500],
        explained_at=reversal.recorded_at,
        explained_by=reversal.recorded_by,
    )
