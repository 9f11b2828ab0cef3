"""The works says something else of itself: that one person runs it, or no longer does."""

from __future__ import annotations

from typing import Annotated, Any, Final

from config.refusals import refuse
from lots import clock
from lots.declaration.event import Asks, Event, Menu
from lots.ledger.recording import Act, recorded_once
from lots.models import WorksSettings
from lots.people.roles import MANAGING
from lots.queries.works import works_settings


def record_settings(act: Act, **changed: Any) -> WorksSettings:
    """Writes down all settings with what is changed, for the act's note as the reason.

    Call it under the ledger's lock. Raises InvalidError `empty` without a reason; ConflictError
    `settings_as_before`.
    """
    if not act.note.strip():
        raise refuse("empty:works", field="note")
    row = works_settings()
    if all(getattr(row, name) == value for name, value in changed.items()):
        raise refuse("settings_as_before", field=next(iter(changed)))
    for name, value in changed.items():
        setattr(row, name, value)
    row.pk, row._state.adding = None, True
    row.reason, row.recorded_at, row.recorded_by_id = act.note.strip(), clock.now(), act.who.pk
    row.save()
    return row


@recorded_once
def say_one_person(
    *,
    one_person: Annotated[bool, Asks("This works is run by one person")],
    act: Act,
) -> WorksSettings:
    """Says that one person runs the works, or no longer does; the act's note says why.

    While it is so, who prepared a month, a settlement or a proposal may approve it too, and every
    such approval says so. Raises as `record_settings`.
    """
    return record_settings(act, one_person=one_person)


SAY_ONE_PERSON: Final = Event(
    say_one_person,
    at="works/one-person",
    name="one-person",
    about="""Say that one person runs the works, or no longer does, with the reason in the note.

    While it is so, who prepared something may approve it too, and every such approval says so.
    """,
    title="One person’s works",
    lead="While one person runs the works, who prepared a month, a settlement or a proposal may "
    "approve it too. Each such approval says so, for good.",
    button="Keep it",
    done="Kept.",
    roles=MANAGING,
    template="lots/one_person.html",
    when="",
    why="Why",
    needs_why=True,
    lands="one-person",
    begins=lambda _: {"one_person": works_settings().one_person},
    beside=lambda _, user: {"said": WorksSettings.objects.select_related("recorded_by")[:50]},
    menu=Menu("BENCH", "One person’s works", 92, group="Office", hint="Who prepares may approve"),
)
