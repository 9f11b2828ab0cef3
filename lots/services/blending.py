"""Several lots become one; whose the metal is stays on the books, by owner or by claims."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from config.refusals import refuse
from lots.ledger.drafts import Draft, StandingLine
from lots.ledger.posting import house, post
from lots.ledger.recording import Act, recorded_once
from lots.models import Lot, Movement, Place
from lots.services.lot_register import register_lot
from lots.services.taking import Take, commingled_claims, into, take

_NOT_BLENDED: Final = {Lot.Form.IN_PROCESS, Lot.Form.ANODE_CHARGE, Lot.Form.SLIMES_BAG}


@dataclass(frozen=True)
class Blend:
    """What the blended lot is and where it stands."""

    form: str
    place: Place
    description: str = ""


@recorded_once
def blend_lots(*, takes: Sequence[Take], blend: Blend, act: Act, keep_apart: bool = True) -> Lot:
    """Blends portions of at least two lots into one new lot.

    One owner's lots stay that owner's own unless `keep_apart` is False; several owners' metal joins
    the works' pool, and each customer's claim grows by what they gave. Raises what `take` raises;
    InvalidError `blend_needs_two`, `form_not_blended`, `liquid_with_solid`.
    """
    _check(takes, blend)
    taken = take(takes, act)
    owner = (taken.sole_owner() if keep_apart else None) or house()
    senders = {each.lot.received_from_id: each.lot.received_from for each in takes}
    lot = register_lot(
        form=blend.form,
        owner=owner,
        place=blend.place,
        content=Lot.Content.BY_PROPORTION,
        act=act,
        description=blend.description,
        received_from=next(iter(senders.values())) if len(senders) == 1 else None,
    )
    lines, materials = into(lot, owner, taken)
    post(
        Draft(
            kind=Movement.Kind.BLEND,
            stage=Movement.Stage.STORE,
            lines=[*taken.lines, *lines],
            claims=commingled_claims(taken) if owner.is_house else [],
            materials=[*taken.materials, *materials],
            standings=[StandingLine(lot, blend.place, owner)],
        ),
        act,
    )
    return lot


def _check(takes: Sequence[Take], blend: Blend) -> None:
    if len(takes) == 1:
        raise refuse("blend_needs_two", field="inputs", value=takes[0].lot.code)
    if blend.form not in Lot.Form.values or blend.form in _NOT_BLENDED:
        raise refuse("form_not_blended", field="form", value=blend.form)
    liquid = Lot(form=blend.form).is_liquid
    for index, each in enumerate(takes):
        if each.lot.is_liquid != liquid:
            raise refuse("liquid_with_solid", field=f"inputs.{index}", value=each.lot.code)
