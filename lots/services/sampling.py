"""A sample is taken for the laboratory, and used up there."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Final

from config.refusals import refuse
from lots.declaration.common import Description, places
from lots.declaration.event import Asks, Event
from lots.ledger import accounts
from lots.ledger.drafts import Draft, Line, StandingLine
from lots.ledger.posting import post
from lots.ledger.recording import Act, recorded_once
from lots.models import Lot, Movement, Place
from lots.queries.likely_lots import sampled_held
from lots.services.lot_register import NOT_MOVING, ON_LOT, of_lot, register_lot
from lots.services.taking import Take, into, take_one


@recorded_once
def take_sample(
    *,
    lot: Lot,
    place: Annotated[
        Place, None, Asks("Where it goes", "A place of the laboratory.", among=places("laboratory"))
    ],
    act: Act,
    mass_ug: Annotated[int | None, Asks("How much", liquid=False)] = None,
    volume_ul: Annotated[int | None, Asks("How much", liquid=True)] = None,
    description: Description = "",
) -> Lot:
    """Takes a sample of stated mass (or volume) out of a lot, also out of one in quarantine.

    It is a lot of the same owner at a place of the laboratory. Raises what `take` raises;
    InvalidError `one_quantity_needed`, `not_a_laboratory`, `is_a_sample`.
    """
    _check(lot, place, mass_ug, volume_ul)
    taken = take_one(Take(lot, mass_ug, volume_ul), act, also={Lot.State.QUARANTINED})
    owner = taken.sole_owner()
    assert owner is not None
    sample = register_lot(
        form=Lot.Form.SAMPLE,
        owner=owner,
        place=place,
        content=Lot.Content.BY_PROPORTION,
        act=act,
        description=description or f"Sample of {lot.code}",
        received_from=lot.received_from,
    )
    lines, materials = into(sample, owner, taken)
    post(
        Draft(
            kind=Movement.Kind.SAMPLING,
            stage=Movement.Stage.RECEIPT,
            lines=[*taken.lines, *lines],
            materials=[*taken.materials, *materials],
            standings=[StandingLine(sample, place, owner)],
        ),
        act,
    )
    return sample


SAMPLE: Final = Event(
    take_sample,
    on=ON_LOT,
    at="samples",
    name="sample",
    about="Take a sample of stated mass or volume out of a lot, also out of one in quarantine.",
    title="Take a sample",
    lead="A sample is a lot of its own, at a place of the laboratory.",
    button="Take it",
    done="The sample is a lot of its own. Label it.",
    cautions=("sample",),
    order=("mass", "volume"),
    page_at="sample",
    menu=of_lot("Take a sample", 18, "For the laboratory", *NOT_MOVING),
    likely=sampled_held,
)


@recorded_once
def use_up_sample(
    *,
    sample: Lot,
    act: Act,
    mass_ug: Annotated[int | None, Asks("How much", "Leave it empty for all of it.")] = None,
) -> Movement:
    """What of a sample the assay used up, all of it unless a mass is given.

    Raises what `take` raises; InvalidError `not_a_sample`.
    """
    if sample.form != Lot.Form.SAMPLE:
        raise refuse("not_a_sample", field="sample", value=sample.code)
    taken = take_one(Take(sample, mass_ug), act)
    return post(
        Draft(
            kind=Movement.Kind.SAMPLING,
            stage=Movement.Stage.RECEIPT,
            lines=[
                *taken.lines,
                *(
                    Line(metal, metal_ug, account=accounts.SAMPLES_USED, owner=taken.sole_owner())
                    for metal, metal_ug in taken.metals.items()
                ),
            ],
            materials=taken.materials,
        ),
        act,
    )


USE_UP: Final = Event(
    use_up_sample,
    on=replace(ON_LOT, param="sample"),
    at="use-up",
    name="use-up",
    about="Record what of a sample the assay used up.",
    title="Used up in the assay",
    button="Record it",
    done="What the assay used is off the books, against its own account.",
    cautions=("assay",),
    menu=of_lot("Used up in the assay", 25, "All of it or a part", Lot.Form.SAMPLE),
)


def _check(lot: Lot, place: Place, mass_ug: int | None, volume_ul: int | None) -> None:
    if lot.form == Lot.Form.SAMPLE:
        raise refuse("is_a_sample", field="lot", value=lot.code)
    if (mass_ug is None) == (volume_ul is None):
        raise refuse("one_quantity_needed", field="mass")
    if place.area != Place.Area.LABORATORY:
        raise refuse("not_a_laboratory", field="place", value=place.code, place=place)
