"""The works says something of itself: what it is called, or that one person runs it."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Annotated, Any, Final

from config.refusals import refuse
from lots import clock
from lots.declaration.event import Asks, Event, Menu
from lots.ledger.recording import Act, recorded_once
from lots.models import Party, WorksSettings
from lots.people.roles import MANAGING
from lots.queries.works import works_settings
from lots.services.reference import NAME_MAX, PartyDetails, create_party, edit_party
from lots.texts import checked_text

ADDRESS_MAX: Final = 300
_DETAILS: Final = "The details of the works"


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


@dataclass(frozen=True)
class WorksDetails:
    """What the works' papers are headed with, and how its people write figures."""

    name: Annotated[str, Asks("Name of the works", at_most=NAME_MAX)]
    address: Annotated[str, Asks(at_most=ADDRESS_MAX, long=2)] = ""
    currency: Annotated[str, Asks(help="Its three letters, such as EUR.", at_most=3)] = ""
    decimal_sign: Annotated[str, Asks(choices=WorksSettings.DecimalSign)] = "."
    mass_unit: Annotated[
        str, Asks("Masses are typed in", choices=WorksSettings.MASS_UNITS, initial="g")
    ] = "g"


@recorded_once
def describe_works(*, details: WorksDetails, act: Act) -> WorksSettings:
    """Says what the works is called, and how it writes; the house is called so too.

    Raises InvalidError `empty`, `too_long`, `not_text`, `unknown_choice`, and as `record_settings`.
    """
    return keep_details(details, act if act.note.strip() else replace(act, note=_DETAILS))


def keep_details(details: WorksDetails, act: Act, **more: Any) -> WorksSettings:
    """Keeps the details and `more` settings, and names the house; raises as `describe_works`."""
    said = {
        "name": checked_text(details.name, field="name", limit=NAME_MAX, required=True),
        "address": checked_text(details.address, field="address", limit=ADDRESS_MAX),
        "currency": checked_text(details.currency, field="currency", limit=3).upper(),
    }
    for name, choices in (
        ("decimal_sign", WorksSettings.DecimalSign.values),
        ("mass_unit", [unit for unit, _ in WorksSettings.MASS_UNITS]),
    ):
        said[name] = getattr(details, name)
        if said[name] not in choices:
            raise refuse(
                "unknown_choice:reference",
                field=name,
                value=said[name],
                choices=", ".join(choices),
            )
    house = Party.objects.filter(kind=Party.Kind.HOUSE).first()
    named = PartyDetails(name=said["name"], kind=Party.Kind.HOUSE)
    if house is None:
        create_party(details=named, act=replace(act, key=""))
    elif house.name != said["name"]:
        named = replace(named, contact=house.contact)
        edit_party(party=house, version=house.version, details=named, act=replace(act, key=""))
    return record_settings(act, **said, **more)


def _known_details() -> dict[str, Any]:
    row = works_settings()
    known = {each.name: getattr(row, each.name) for each in fields(WorksDetails)}
    house = Party.objects.filter(kind=Party.Kind.HOUSE).first()
    return known | {"name": row.name or getattr(house, "name", "")}


DESCRIBE: Final = Event(
    describe_works,
    at="works/details",
    name="works-details",
    about="Say what the works is called, its address, currency, decimal sign and unit of mass.",
    title="The works",
    lead="What its papers are headed with, and how its people write figures.",
    button="Keep it",
    done="Kept.",
    roles=MANAGING,
    flat=("details",),
    when="",
    why="Why, if it is a change",
    lands="today",
    begins=lambda _: _known_details(),
    menu=Menu("BENCH", "The works", 91, group="Office", hint="Name, address, currency, units"),
)


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
