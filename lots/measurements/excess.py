"""Metal that an output measured above the book is explained, and then no longer asked about."""

from __future__ import annotations

from typing import Annotated, Final

from config.refusals import refuse
from lots.declaration.event import SUBJECT, Asks, Event, On
from lots.ledger.recording import Act, recorded_once
from lots.models import Excess
from lots.texts import checked_text

EXPLANATION_MAX = 500


@recorded_once
def explain_excess(
    *,
    excess: Excess,
    explanation: Annotated[str, Asks("Where the metal came from", at_most=EXPLANATION_MAX, long=3)],
    act: Act,
) -> Excess:
    """Says where the metal above the book came from. It stays on record with its explanation.

    Raises InvalidError `empty`, `too_long`, `not_text`; ConflictError `already_explained`.
    """
    text = checked_text(explanation, field="explanation", limit=EXPLANATION_MAX, required=True)
    excess.refresh_from_db()
    if excess.state == Excess.State.EXPLAINED:
        raise refuse("already_explained", field="excess", value=excess.pk)
    excess.state = Excess.State.EXPLAINED
    excess.explanation = text
    excess.explained_at = act.moment
    excess.explained_by_id = act.who.pk
    excess.save(update_fields=["state", "explanation", "explained_at", "explained_by"])
    return excess


EXPLAIN: Final = Event(
    explain_excess,
    on=On(
        Excess,
        "excesses/<int:pk>",
        "excess",
        related=("lot", "movement", "account"),
        template="lots/excess_step.html",
        page="lot",
        page_of="lot.code",
    ),
    lands=SUBJECT,
    at="explain",
    name="explain-excess",
    about="Say where the metal above the book came from.",
    title="Explain metal above the book",
    button="Keep the explanation",
    done="Explained. It stays on record.",
)
