"""A person of the works takes a movement back."""

from __future__ import annotations

from typing import Annotated, Final

from lots.declaration.event import Asks, Event, On
from lots.ledger.recording import Act
from lots.ledger.reversal import reverse_movement
from lots.models import Movement
from lots.people.roles import check_may_reverse, role_of_user
from lots.queries.movement_receipt import movement_receipt
from lots.texts import REASON_MAX


def reverse_as(
    *,
    movement: Movement,
    reason: Annotated[
        str,
        Asks(
            "Why it is taken back",
            "Both the movement and its reversal stay on record with this.",
            at_most=REASON_MAX,
        ),
    ],
    act: Act,
) -> Movement:
    """Reverses a movement for somebody who may. Refuses as `reverse_movement` does.

    Raises ForbiddenError `reversal_not_yours`.
    """
    check_may_reverse(movement, role_of_user(act.who))
    return reverse_movement(movement=movement, reason=reason, act=act)


REVERSE: Final = Event(
    reverse_as,
    on=On(
        Movement,
        "movements/<int:sequence>",
        "movement",
        related=("recorded_by", "counterparty", "reverses", "refers_to", "reversed_by"),
        section="movements",
        template="lots/movement.html",
        when="",
    ),
    at="reverse",
    page_at="/movements/<int:sequence>",
    name="movement",
    called="Reversal",
    about="Reverse a movement: its exact opposite is posted, and both stay on record.",
    title="Take it back",
    button="Reverse this movement",
    done="Reversed: its exact opposite is posted.",
    why="",
    beside=movement_receipt,
)
