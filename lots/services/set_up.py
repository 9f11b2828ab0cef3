"""A works begins: what it is called, what time it keeps, and its first person."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from typing import Annotated, Any, Final

from django.db import transaction

from config.refusals import refuse
from lots.declaration.event import Asks
from lots.ledger.recording import Act, lock_ledger, recorded_once
from lots.models import Person, WorksSettings
from lots.people.people import NAME_MAX, USERNAME_MAX, add_person
from lots.people.person_record import ON_THE_MACHINE
from lots.people.ways_in import Way, choose_password
from lots.queries.set_up import is_set_up
from lots.services.works import WorksDetails, keep_details
from lots.services.works_zone import fix_zone

_REASON: Final = "The works was set up"


@dataclass(frozen=True)
class Beginning:
    """What is asked once, beside the works' own details. `time_zone` as in the IANA database."""

    person: Annotated[str, Asks("Your name", at_most=NAME_MAX)]
    time_zone: Annotated[str, Asks(at_most=64)]
    one_person: Annotated[
        bool, Asks("I work alone: who prepares a month or a settlement may approve it, too")
    ] = False
    username: Annotated[
        str,
        Asks(
            "The name you sign in with",
            "Left empty, your first name in small letters.",
            at_most=USERNAME_MAX,
        ),
    ] = ""


@dataclass(frozen=True)
class Begun:
    """`password` is one that was made, and is to be changed; empty when one was chosen."""

    user: Any
    password: str


def set_up_works(
    *, details: WorksDetails, beginning: Beginning, password: str = "", key: str = ""
) -> Begun:
    """Sets the works up with its first person, a manager, while nobody can sign in.

    Without a password one is made for the first sign-in. Raises ConflictError `already_set_up`,
    `zone_fixed`, `other_zone`; InvalidError `unknown_zone`, `password_weak`, and as
    `describe_works` and `add_person`.
    """
    with transaction.atomic():
        lock_ledger()
        if is_set_up():
            raise refuse("already_set_up")
        person: Any = add_person(
            username=beginning.username.strip() or username_from(beginning.person),
            role=Person.Role.MANAGER,
            name=beginning.person,
            way_in=Way.PASSWORD,
            act=Act(who=ON_THE_MACHINE),
        )
        given = person.password
        if password:
            choose_password(user=person.user, password=password, act=Act(who=person.user))
            given = ""
        _begin(details=details, beginning=beginning, act=Act(who=person.user, key=key))
    return Begun(person.user, given)


@recorded_once
def _begin(*, details: WorksDetails, beginning: Beginning, act: Act) -> WorksSettings:
    fix_zone(beginning.time_zone)
    noted = Act(act.who, act.occurred_at, note=_REASON)
    return keep_details(details, noted, one_person=beginning.one_person)


def username_from(name: str) -> str:
    """The first name in small plain letters: “Zoë Holm” is zoe."""
    first = (name.split() or [""])[0]
    plain = unicodedata.normalize("NFKD", first).encode("ascii", "ignore").decode().lower()
    return "".join(sign for sign in plain if sign.isalnum()) or "manager"
