"""One lot is melted and weighed again: what the fire took is the melt loss.

Molten metal, a wet mould and fume can injure: eye, face and hand protection, a dry warm mould and
extraction come first. The safety data sheets and local rules go before anything said here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Annotated, Final

from config.refusals import InvalidError, refuse
from lots.declaration.common import Description, PutAt
from lots.declaration.event import Asks, Event
from lots.ledger import accounts
from lots.ledger.drafts import Draft, Line, MaterialLine, StandingLine
from lots.ledger.posting import post
from lots.ledger.recording import Act, recorded_once
from lots.measurements.weighings import Weight, keep_weighing
from lots.metals import Metal
from lots.models import Entry, Lot, Movement, Weighing
from lots.queries.likely_lots import melted_held
from lots.services.lot_register import ON_LOT, of_lot, register_lot
from lots.services.taking import Take, Taken, portions_uncertainty_ug, take_one
from lots.services.write_off import Cause, check_cause
from lots.units import ug_to_g

MELTED_FORMS: Final = (Lot.Form.GRANULES, Lot.Form.BAR, Lot.Form.FEED)
MELTED_CHOICES: Final = [(form.value, form.label) for form in MELTED_FORMS]


@dataclass(frozen=True)
class Melted:
    """What the melt gave: its form, where it stands, what it weighs when it was weighed.

    `lost_ug` is metal known to be lost in the melt, by metal, with its `cause`.
    """

    form: Annotated[
        str, Asks("What it is after the melt", choices=Lot.Form, offered=MELTED_CHOICES)
    ]
    place: PutAt
    weight: Weight | None = None
    lost_ug: Annotated[
        Mapping[str, int],
        Asks(
            "Metal known to be lost in the melt",
            "With its unit, as in 2.5 g; and say why below.",
            "lost",
        ),
    ] = field(default_factory=dict)
    cause: Annotated[str, Asks("Why it was lost", choices=Cause)] = ""
    description: Description = ""


@recorded_once
def melt_lot(*, lot: Lot, melted: Melted, act: Act) -> Lot:
    """Melts a whole lot into a new one of the same owner.

    The loss of material is the difference of the lot's mass and the new weight, and stays visible
    as the movement's own material; metals are carried over as booked until an assay rules, but for
    a declared loss. Raises what `take` raises; InvalidError `form_not_from_a_melt`, `not_meltable`,
    `unknown_choice`, `empty`, `unknown_metal`, `not_positive`; ConflictError `more_than_there_is`.
    """
    _check(lot, melted, act)
    taken = take_one(Take(lot), act)
    owner = taken.sole_owner()
    assert owner is not None
    _check_lost(melted, taken)
    new = register_lot(
        form=melted.form,
        owner=owner,
        place=melted.place,
        content=Lot.Content.BY_PROPORTION,
        act=act,
        description=melted.description or lot.description,
        received_from=lot.received_from,
    )
    weighing = (
        keep_weighing(new, melted.weight, Weighing.Purpose.MELT, act) if melted.weight else None
    )
    unsure = portions_uncertainty_ug(taken.lines)
    lines = []
    for metal, metal_ug in taken.metals.items():
        lost_ug = melted.lost_ug.get(metal, 0)
        line = Line(
            metal,
            metal_ug - lost_ug,
            lot=new,
            owner=owner,
            standard_uncertainty_ug=unsure[metal],
        )
        loss = Line(metal, lost_ug, account=accounts.LOSS, owner=owner, basis=Entry.Basis.DECLARED)
        lines += [replace(line, quantity_by=weighing), loss]
    material = MaterialLine(
        new, mass_ug=weighing.net_ug if weighing else taken.mass_ug, quantity_by=weighing
    )
    post(
        Draft(
            kind=Movement.Kind.MELT,
            stage=Movement.Stage.RECEIPT,
            cause=melted.cause,
            lines=[*taken.lines, *lines],
            materials=[*taken.materials, material],
            standings=[StandingLine(new, melted.place, owner)],
        ),
        act,
    )
    return new


MELT: Final = Event(
    melt_lot,
    on=ON_LOT,
    at="melt",
    name="melt",
    about="Melt a whole lot into a new one; the loss of mass stays visible as the melt's own.",
    title="Melt",
    lead="The whole lot goes in. The loss of weight is kept; metals stay as booked until assayed.",
    button="Record the melt",
    done="Melted. Label what came out, sample it and weigh it if that is not done.",
    cautions=("melt",),
    flat=("melted",),
    order=("form", "gross", "tare", "balance", "place"),
    menu=of_lot("Melt", 15, "And weigh what came out", Lot.State.AVAILABLE),
    likely=melted_held,
)


def _check(lot: Lot, melted: Melted, act: Act) -> None:
    if melted.form not in MELTED_FORMS:
        raise refuse(
            "form_not_from_a_melt",
            field="form",
            value=melted.form,
            melted_forms=", ".join(MELTED_FORMS),
        )
    if lot.is_liquid:
        raise refuse("not_meltable", field="lot", value=lot.code)
    if melted.lost_ug or melted.cause:
        check_cause(melted.cause, act)


def _check_lost(melted: Melted, taken: Taken) -> None:
    for metal, lost_ug in melted.lost_ug.items():
        if metal not in Metal.values or lost_ug <= 0:
            raise InvalidError(
                "A loss is of a metal that is followed here, and above zero.",
                code="not_positive" if metal in Metal.values else "unknown_metal",
                field=f"lost.{metal}",
                value=lost_ug,
                remedy="Leave out metals of which nothing was lost.",
            )
        there_ug = taken.metals.get(metal, 0)
        if lost_ug > there_ug:
            raise refuse(
                "more_than_there_is:melting",
                field=f"lost.{metal}",
                value=f"{ug_to_g(lost_ug)} g",
                there_ug=ug_to_g(there_ug),
                metal=metal,
            )
