"""Metal is gone, or goes to waste: it leaves its lot with a cause and the stage it happened at."""

from __future__ import annotations

from typing import Annotated, Final

from django.db import models
from django.db.models import F

from config.refusals import refuse
from lots.declaration.event import Asks, Event
from lots.ledger import accounts
from lots.ledger.drafts import Draft, Line
from lots.ledger.posting import post
from lots.ledger.recording import Act, recorded_once
from lots.models import Entry, Lot, Movement
from lots.people.roles import WRITING_OFF
from lots.services.lot_register import NOT_MOVING, ON_LOT, of_lot
from lots.services.taking import ALL_OF_IT, Take, take_one


class Cause(models.TextChoices):
    """Why metal was lost; losses are accounted by it and by stage."""

    SPILL = "spill", "Spill"
    FILTER = "filter", "Left in a filter"
    FUME = "fume", "Fume"
    SWEEP = "sweep", "Swept away"
    DROSS = "dross", "Dross"
    OTHER = "other", "Other"


@recorded_once
def write_off(
    *,
    lot: Lot,
    cause: Annotated[str, Asks("Why it is gone", choices=Cause)],
    stage: Annotated[str, Asks("Where it happened", choices=Movement.Stage)],
    act: Act,
    mass_ug: Annotated[int | None, Asks("How much", ALL_OF_IT, liquid=False)] = None,
    volume_ul: Annotated[int | None, Asks("How much", ALL_OF_IT, liquid=True)] = None,
    discarded: Annotated[bool, Asks("Knowingly thrown away as waste")] = False,
) -> Movement:
    """Writes off a portion of a lot, or all of it when neither mass nor volume is given.

    It goes to the loss account, or with `discarded` to waste knowingly thrown away. The cause
    "other" needs a note. Raises what `take` raises; InvalidError `unknown_choice`, `empty`.
    """
    check_cause(cause, act)
    check_stage(stage)
    taken = take_one(Take(lot, mass_ug, volume_ul), act, also={Lot.State.QUARANTINED})
    account = accounts.WASTE if discarded else accounts.LOSS
    movement = post(
        Draft(
            kind=Movement.Kind.WRITE_OFF,
            stage=stage,
            cause=cause,
            lines=[
                *taken.lines,
                *(
                    Line(
                        metal,
                        metal_ug,
                        account=account,
                        owner=taken.sole_owner(),
                        basis=Entry.Basis.PROPORTION,
                    )
                    for metal, metal_ug in taken.metals.items()
                ),
            ],
            materials=taken.materials,
        ),
        act,
    )
    ended_as(lot, Lot.State.WRITTEN_OFF)
    return movement


WRITE_OFF: Final = Event(
    write_off,
    on=ON_LOT,
    at="write-off",
    name="write-off",
    about="Write off a portion of a lot, or all of it, with its cause.",
    title="Write metal off",
    lead="It leaves the lot for the loss account, with its cause and the stage it happened at.",
    button="Write it off",
    done="Written off.",
    cautions=("waste",),
    roles=WRITING_OFF,
    order=("mass", "volume"),
    menu=of_lot("Write off", 90, "Metal is gone, with its cause", *NOT_MOVING),
)


def ended_as(lot: Lot, state: str) -> None:
    """Says how a lot ended, when the movement has emptied it."""
    if lot.state == Lot.State.SPENT:
        Lot.objects.filter(pk=lot.pk).update(state=state, version=F("version") + 1)
        lot.state = state


def check_cause(cause: str, act: Act) -> None:
    """Refuses a cause that is not on the list (`unknown_choice`), or "other" untold (`empty`)."""
    if cause not in Cause.values:
        raise refuse(
            "unknown_choice:write_off", field="cause", value=cause, cause=", ".join(Cause.values)
        )
    if cause == Cause.OTHER and not act.note.strip():
        raise refuse("empty", field="note")


def check_stage(stage: str) -> None:
    """Refuses a stage of the works that is not on the list (`unknown_choice`)."""
    if stage not in Movement.Stage.values:
        raise refuse(
            "unknown_choice:write_off_2",
            field="stage",
            value=stage,
            movement=", ".join(Movement.Stage.values),
        )
