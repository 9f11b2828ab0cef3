"""How somebody gets in without a password of their own: by a link or a password, once each."""

from __future__ import annotations

import datetime as dt
import secrets
from typing import Any, Final

from django.contrib.auth import password_validation
from django.core.exceptions import ValidationError
from django.db import models
from django.utils.crypto import get_random_string

from config.refusals import refuse
from lots import clock
from lots.declaration.event import Event
from lots.ledger.recording import Act, recorded_once
from lots.models import Person, PersonChange, SignInLink
from lots.people.person_record import ON_PERSON, changing, end_links, note_change
from lots.people.roles import MANAGING
from lots.people.tokens import SECRET_BYTES, digest_of_key

LINK_LASTS: Final = dt.timedelta(hours=48)
KEY_MAX: Final = 80
# No two signs that look alike; 16 of 31 are 79 bits.
SIGNS: Final = "23456789abcdefghjkmnpqrstuvwxyz"
_GROUP, _GROUPS = 4, 4
_WHAT: Final = PersonChange.What


class Way(models.TextChoices):
    LINK = "link", "By a link that opens once"
    PASSWORD = "password", "By a password that they change at once"


def give_way_in(person: Person, way: str, act: Act) -> None:
    """Gives a person this way in, as their `link` (its key) or their `password`, told this once.

    Whichever they were given before and did not use opens nothing any more. Call it under the
    ledger's lock. Raises InvalidError `unknown_choice`.
    """
    if way not in Way.values:
        raise refuse("unknown_choice:way_in", field="way_in", value=way, ways=", ".join(Way.values))
    told: Any = person
    end_links(person)
    if way == Way.PASSWORD:
        told.password = "-".join(get_random_string(_GROUP, SIGNS) for _ in range(_GROUPS))
        set_password(person.user, told.password, given=True)
        person.must_change_password = True
        note_change(person, _WHAT.PASSWORD, act)
        return
    told.link = secrets.token_urlsafe(SECRET_BYTES)
    now = clock.now()
    SignInLink.objects.create(
        person=person,
        key_sha256=digest_of_key(told.link),
        made_at=now,
        expires_at=now + LINK_LASTS,
    )
    note_change(person, _WHAT.LINK, act)


@recorded_once
def make_sign_in_link(*, person: Person, act: Act) -> Person:
    """Makes a link that lets somebody in once, within 48 hours, to choose a password.

    Raises ConflictError `person_off`; ForbiddenError `superusers_own`.
    """
    _check_in_use(changing(person, act))
    give_way_in(person, Way.LINK, act)
    return person


MAKE_LINK: Final = Event(
    make_sign_in_link,
    on=ON_PERSON,
    at="sign-in-link",
    name="person-link",
    about="""Make a link that lets somebody in once, within 48 hours, to choose a password.

    It is the answer's `link`, told this once. Links made before open nothing any more.
    """,
    title="One-time link",
    lead="Hand it over by a way that only they read. It opens once, within 48 hours; then they "
    "choose a password. Links made before open nothing any more.",
    button="Make the link",
    done="Made already: a link is shown once. Make another if it is lost.",
    roles=MANAGING,
    when="",
    why="Why",
    never_kept=("link", "password"),
)


@recorded_once
def give_password(*, person: Person, act: Act) -> Person:
    """Gives somebody a password that they change at once. Their sessions and keys end.

    Raises ConflictError `person_off`; ForbiddenError `superusers_own`.
    """
    _check_in_use(changing(person, act))
    give_way_in(person, Way.PASSWORD, act)
    return person


GIVE_PASSWORD: Final = Event(
    give_password,
    on=ON_PERSON,
    at="one-time-password",
    name="person-password",
    about="""Give somebody a password that they change at once; their sessions and keys end.

    It is the answer's `password`, told this once.
    """,
    title="One-time password",
    lead="Their password of now, their sessions and their keys end. Who signs in with the new one "
    "chooses another before anything else.",
    button="Make the password",
    done="Made already: a password is shown once. Make another if it is lost.",
    roles=MANAGING,
    when="",
    why="Why",
    never_kept=("link", "password"),
)


def link_of(key: str) -> SignInLink | None:
    """The link of this key while it opens the door; None for any other."""
    link = (
        SignInLink.objects.select_related("person__user")
        .filter(key_sha256=digest_of_key(key[: KEY_MAX + 1]), used_at=None, ended_at=None)
        .first()
    )
    if link is None or link.expires_at <= clock.now() or not link.person.user.is_active:
        return None
    return link


@recorded_once
def use_link(*, key: str, act: Act) -> Person:
    """Uses up a one-time link: its person is let in, to choose a password and nothing else.

    Raises ForbiddenError `link_spent` for a key that opens nothing, or nothing any more.
    """
    link = link_of(key)
    if link is None:
        raise refuse("link_spent", field="key")
    person = link.person
    changing(person, act)
    link.used_at = clock.now()
    link.save(update_fields=["used_at"])
    person.must_change_password = True
    person.save(update_fields=["must_change_password"])
    note_change(person, _WHAT.LINK_USED, act)
    return person


@recorded_once
def choose_password(*, user: Any, password: str, act: Act) -> Any:
    """The user's own password from now on; their other sessions, keys and links end.

    An act with an idempotency key would leave a digest of the password behind: give none. Raises
    InvalidError `password_weak`, `same_password`.
    """
    assert not act.key
    if user.check_password(password):
        raise refuse("same_password", field="password")
    try:
        password_validation.validate_password(password, user)
    except ValidationError as error:
        raise refuse("password_weak", field="password", error=" ".join(error.messages)) from error
    person = Person.objects.filter(user_id=user.pk).first()
    if person is not None:
        changing(person, act)
        end_links(person)
    set_password(user, password, given=False)
    if person is not None:
        note_change(person, _WHAT.CHOSEN, act)
    return user


def set_password(user: Any, password: str, *, given: bool) -> None:
    """Sets a password, its owner's or `given` to them.

    Sessions and keys are bound to the password that they began under, so they end with it.
    """
    user.set_password(password)
    user.save(update_fields=["password"])
    Person.objects.filter(user_id=user.pk).update(must_change_password=given)


def _check_in_use(user: Any) -> None:
    if not user.is_active:
        raise refuse("person_off", field="person", value=user.get_username())
