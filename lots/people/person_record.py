"""The record of what is done to a person, and the end of their sessions and keys."""

from __future__ import annotations

from typing import Any, Final

from django.contrib.auth import SESSION_KEY, get_user_model
from django.contrib.sessions.models import Session
from django.utils import timezone

from config.refusals import refuse
from lots import clock
from lots.declaration.event import On
from lots.ledger.recording import Act
from lots.models import ApiToken, Person, PersonChange, SignInLink

_WHAT: Final = PersonChange.What
ON_PERSON: Final = On(
    Person,
    "people/<int:pk>",
    "person",
    related=("user", "party"),
    template="lots/person_step.html",
    page="person",
    page_of="pk",
    also=("username",),
)
# Who has the machine may do this without a sign-in: nobody's name stands beside it.
ON_THE_MACHINE: Final = get_user_model()()


def changing(person: Person, act: Act) -> Any:
    """The user of a person about to be changed, as they stand; how they stood is on record.

    Call it first, under the ledger's lock. Raises ForbiddenError `superusers_own`: who may act on
    somebody who may do everything could do everything.
    """
    person.refresh_from_db()
    user: Any = person.user
    user.refresh_from_db()
    is_superiors = user.is_superuser and act.who.pk not in (user.pk, None)
    if is_superiors and not getattr(act.who, "is_superuser", False):
        raise refuse("superusers_own", field="person", value=user.get_username())
    if not person.changes.exists():
        note_change(person, _WHAT.FOUND, Act(who=ON_THE_MACHINE))
    return user


def note_change(person: Person, what: str, act: Act) -> None:
    """Adds an act to a person's record, with how they stand now."""
    user: Any = person.user
    PersonChange.objects.create(
        person=person,
        what=what,
        role=person.role,
        party=person.party,
        is_active=user.is_active,
        name=user.get_full_name(),
        at=clock.now(),
        by_id=act.who.pk,
        note=act.note.strip(),
    )


def end_access(person: Person, act: Act) -> None:
    """Ends every session and key of a person at once and for good."""
    # Sessions end by the framework's clock.
    for session in Session.objects.filter(expire_date__gt=timezone.now()):
        if session.get_decoded().get(SESSION_KEY) == str(person.user_id):
            session.delete()
    ApiToken.objects.filter(user_id=person.user_id, revoked_at=None).update(
        revoked_at=clock.now(), revoked_by_id=act.who.pk or person.user_id
    )


def end_links(person: Person) -> None:
    """One-time links not yet used open nothing any more."""
    SignInLink.objects.filter(person=person, used_at=None, ended_at=None).update(
        ended_at=clock.now()
    )
