"""Several lots become one; whose the metal is stays on the books, by owner or by claims."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Final

from config.refusals import refuse
from lots.declaration.common import Description, PutAt
from lots.declaration.event import Asks, Event, Menu
from lots.ledger.drafts import Draft, StandingLine
from lots.ledger.posting import house, post
from lots.ledger.recording import Act, recorded_once
from lots.models import Lot, Movement
from lots.queries.likely_lots import taken_held
from lots.services.lot_register import register_lot
from lots.services.taking import Take, commingled_claims, into, take

_NOT_BLENDED: Final = {Lot.Form.IN_PROCESS, Lot.Form.ANODE_CHARGE, Lot.Form.SLIMES_BAG}


@dataclass(frozen=True)
class Blend:
    """What the blended lot is and where it stands."""

    form: Annotated[str, Asks("What the blend is", choices=Lot.Form, initial=Lot.Form.GRANULES)]
    place: PutAt
    description: Description = ""


@recorded_once
def blend_lots(
    *,
    takes: Annotated[
        Sequence[Take],
        Asks(
            "Lots that are blended",
            "At least two. Leave the second box empty to take all of a lot.",
        ),
    ],
    blend: Blend,
    act: Act,
    keep_apart: Annotated[
        bool,
        Asks(
            "One owner's metal stays that owner's",
            "Several owners' metal joins the works' pool, and each gains a claim.",
        ),
    ] = True,
) -> Lot:
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


BLEND: Final = Event(
    blend_lots,
    at="blends",
    name="blend",
    about="""Blend portions of several lots into one.

    Several owners' metal joins the works' pool, and each gains a claim of what they gave.
    """,
    title="Blend lots",
    button="Blend them",
    done="Blended. Print the new label.",
    cautions=("melt",),
    flat=("blend",),
    asked_as={"inputs": "takes"},
    order=("takes", "form", "place"),
    offered_forms=(),
    page_at="blend",
    menu=Menu("BENCH", "Blend lots", 30, group="Lots", hint="Several lots become one"),
    likely=taken_held,
)


def _check(takes: Sequence[Take], blend: Blend) -> None:
    if len(takes) == 1:
        raise refuse("blend_needs_two", field="inputs", value=takes[0].lot.code)
    if blend.form not in Lot.Form.values or blend.form in _NOT_BLENDED:
        raise refuse("form_not_blended", field="form", value=blend.form)
    liquid = Lot(form=blend.form).is_liquid
    for index, each in enumerate(takes):
        if each.lot.is_liquid != liquid:
            raise refuse("liquid_with_solid", field=f"inputs.{index}", value=each.lot.code)
