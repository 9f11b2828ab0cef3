"""A person of the works is added, gets another role or name, is switched off and on again."""

from __future__ import annotations

from typing import Annotated, Any, Final

from django.contrib.auth import get_user_model
from django.contrib.auth.validators import UnicodeUsernameValidator
from django.core.exceptions import ValidationError
from django.core.validators import validate_email

from config.refusals import refuse
from lots.declaration.common import parties
from lots.declaration.event import Asks, Event
from lots.ledger.recording import Act, recorded_once
from lots.models import Party, Person, PersonChange
from lots.people.person_record import (
    ON_PERSON,
    ON_THE_MACHINE,
    changing,
    end_access,
    end_links,
    note_change,
)
from lots.people.roles import MANAGING
from lots.people.ways_in import Way, give_way_in
from lots.texts import checked_text

USERNAME_MAX: Final = 150
NAME_MAX: Final = 150
EMAIL_MAX: Final = 254
_WHAT: Final = PersonChange.What

Name = Annotated[str, Asks("Name", "As people call them.", at_most=NAME_MAX)]
Email = Annotated[str, Asks("E-mail", "If they like; nothing is sent there.", at_most=EMAIL_MAX)]
Role = Annotated[str, Asks("Role", choices=Person.Role)]
Customer = Annotated[
    Party | None,
    None,
    Asks("Customer", "Whose metal a customer may look at.", among=parties(Party.Kind.CUSTOMER)),
]


def enter_person(
    act: Act,
    *,
    username: str,
    role: str,
    party: Party | None = None,
    name: str = "",
    email: str = "",
) -> Person:
    """A person on record, without a password unless they could sign in already.

    Call it under the ledger's lock. Raises InvalidError `empty`, `too_long`, `not_text`,
    `not_a_username`, `not_an_email`, `unknown_choice`, `party_needed`, `party_not_asked`,
    `not_a_customer`; ConflictError `username_taken`; ForbiddenError `superusers_own`.
    """
    username = _checked_username(username)
    _check_role(role, party)
    named = _checked_name(name), _checked_email(email)
    users: Any = get_user_model()._default_manager
    user = users.filter(username__iexact=username).first()
    if user is None:
        user = users.create_user(username)
    elif Person.objects.filter(user_id=user.pk).exists() or not user.is_active:
        raise refuse("username_taken", field="username", value=username)
    elif user.is_superuser and act.who not in (user, ON_THE_MACHINE):
        raise refuse("superusers_own", field="username", value=username)
    if any(named):
        _name(user, *named)
    person = Person(user=user, role=role, party=party)
    person.must_change_password = not user.has_usable_password()
    person.save()
    note_change(person, _WHAT.ADDED, act)
    return person


@recorded_once
def add_person(
    *,
    username: Annotated[
        str, Asks("Sign-in name", "Letters, digits and @ . + - _, no spaces.", at_most=USERNAME_MAX)
    ],
    role: Role,
    name: Name = "",
    party: Customer = None,
    email: Email = "",
    way_in: Annotated[str, Asks("How they sign in at first", choices=Way, initial="link")] = "link",
    act: Act,
) -> Person:
    """Adds a person, with a link or a password to sign in by once, which is told this once.

    Who can sign in already and has no role is given one and keeps the password: nothing is told.
    Raises as `enter_person`, and InvalidError `unknown_choice`.
    """
    person = enter_person(act, username=username, role=role, party=party, name=name, email=email)
    if person.must_change_password:
        give_way_in(person, way_in, act)
    return person


ADD: Final = Event(
    add_person,
    at="people/add",
    name="person-add",
    about="""Add a person of the works, or of a customer, with a way to sign in at first.

    `link` or `password` of the answer opens the door once, and is told this once.
    """,
    title="Add a person",
    lead="You are shown a link or a password to hand over. It opens once; then they choose "
    "a password of their own.",
    button="Add them",
    done="Added.",
    roles=MANAGING,
    order=("name", "username", "role", "party", "email", "way_in"),
    template="lots/person_step.html",
    when="",
    lands="person pk",
    never_kept=("link", "password"),
)


@recorded_once
def change_role(*, person: Person, role: Role, party: Customer = None, act: Act) -> Person:
    """Gives somebody another role. Their sessions and keys end at once.

    Raises InvalidError `unknown_choice`, `party_needed`, `party_not_asked`, `not_a_customer`;
    ConflictError `person_as_before`, `last_manager`; ForbiddenError `superusers_own`.
    """
    changing(person, act)
    _check_role(role, party)
    if (person.role, person.party) == (role, party):
        raise refuse("person_as_before", field="role", value=role)
    if role != Person.Role.MANAGER:
        _check_another_manager(person, "role")
    person.role, person.party = role, party
    person.save(update_fields=["role", "party"])
    end_access(person, act)
    note_change(person, _WHAT.ROLE, act)
    return person


CHANGE_ROLE: Final = Event(
    change_role,
    on=ON_PERSON,
    at="role",
    name="person-role",
    about="Give somebody another role; their sessions and keys end at once.",
    title="Another role",
    lead="They are signed out everywhere and their keys end. They sign in again with this role.",
    button="Give this role",
    done="Changed. They are signed out everywhere, and their keys have ended.",
    roles=MANAGING,
    when="",
    why="Why",
    begins=lambda person: {"role": person.role, "party": person.party_id},
)


@recorded_once
def change_details(*, person: Person, name: Name = "", email: Email = "", act: Act) -> Person:
    """Changes somebody's name and e-mail. Raises InvalidError `too_long`, `not_text`,
    `not_an_email`; ConflictError `person_as_before`; ForbiddenError `superusers_own`.
    """
    user = changing(person, act)
    name, email = _checked_name(name), _checked_email(email)
    if (user.get_full_name(), user.email) == (name, email):
        raise refuse("person_as_before", field="name", value=name)
    _name(user, name, email)
    note_change(person, _WHAT.DETAILS, act)
    return person


CHANGE_DETAILS: Final = Event(
    change_details,
    on=ON_PERSON,
    at="details",
    name="person-details",
    about="Change somebody's name and e-mail.",
    title="Name and e-mail",
    button="Keep it",
    done="Kept.",
    roles=MANAGING,
    when="",
    why="",
    begins=lambda person: {"name": person.user.get_full_name(), "email": person.user.email},
)


@recorded_once
def switch_off(*, person: Person, act: Act) -> Person:
    """Lets somebody in no more. Their sessions, keys and one-time links end at once.

    Raises ConflictError `person_off`, `last_manager`; ForbiddenError `superusers_own`.
    """
    user = changing(person, act)
    if not user.is_active:
        raise refuse("person_off", field="person", value=user.get_username())
    _check_another_manager(person, "person")
    user.is_active = False
    user.save(update_fields=["is_active"])
    end_access(person, act)
    end_links(person)
    note_change(person, _WHAT.OFF, act)
    return person


SWITCH_OFF: Final = Event(
    switch_off,
    on=ON_PERSON,
    at="off",
    name="person-off",
    about="Let somebody in no more; their sessions, keys and one-time links end at once.",
    title="Switch off",
    lead="They are signed out everywhere and can’t sign in; their keys and links end. What they "
    "recorded stays under their name.",
    button="Switch off",
    done="Switched off: signed out everywhere, and their keys have ended.",
    roles=MANAGING,
    when="",
    why="Why",
)


@recorded_once
def switch_on(*, person: Person, act: Act) -> Person:
    """Lets somebody in again, with the password they had. Keys that ended stay ended.

    Raises ConflictError `person_on`; ForbiddenError `superusers_own`.
    """
    user = changing(person, act)
    if user.is_active:
        raise refuse("person_on", field="person", value=user.get_username())
    user.is_active = True
    user.save(update_fields=["is_active"])
    note_change(person, _WHAT.ON, act)
    return person


SWITCH_ON: Final = Event(
    switch_on,
    on=ON_PERSON,
    at="on",
    name="person-on",
    about="Let somebody in again, with the password they had; keys that ended stay ended.",
    title="Switch on",
    lead="They can sign in again with the password they had. Keys that ended stay ended.",
    button="Switch on",
    done="Switched on.",
    roles=MANAGING,
    when="",
    why="Why",
)


def active_managers() -> Any:
    """The people who can sign in as managers."""
    return Person.objects.filter(role=Person.Role.MANAGER, user__is_active=True)


def _check_another_manager(person: Person, field: str) -> None:
    if active_managers().exists() and not active_managers().exclude(pk=person.pk).exists():
        raise refuse("last_manager", field=field, value=person.user.get_username())


def _name(user: Any, name: str, email: str) -> None:
    user.first_name, _, user.last_name = name.partition(" ")
    user.email = email
    user.save(update_fields=["first_name", "last_name", "email"])


def _checked_name(name: str) -> str:
    return " ".join(checked_text(name, field="name", limit=NAME_MAX).split())


def _checked_username(username: str) -> str:
    username = checked_text(username, field="username", limit=USERNAME_MAX, required=True)
    try:
        UnicodeUsernameValidator()(username)
    except ValidationError as error:
        raise refuse("not_a_username", field="username", value=username) from error
    return username


def _checked_email(email: str) -> str:
    email = checked_text(email, field="email", limit=EMAIL_MAX)
    if email:
        try:
            validate_email(email)
        except ValidationError as error:
            raise refuse("not_an_email", field="email", value=email) from error
    return email


def _check_role(role: str, party: Party | None) -> None:
    if role not in Person.Role.values:
        raise refuse(
            "unknown_choice:people", field="role", value=role, person=", ".join(Person.Role.values)
        )
    if role != Person.Role.CUSTOMER:
        if party is not None:
            raise refuse("party_not_asked", field="party", value=party.code)
        return
    if party is None:
        raise refuse("party_needed", field="party")
    if party.kind != Party.Kind.CUSTOMER or not party.is_active:
        raise refuse("not_a_customer", field="party", value=party.code, party=party)
