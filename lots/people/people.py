"""A person gets a sign-in with a role, and chooses a password of their own."""

from __future__ import annotations

from typing import Any, Final

from django.contrib.auth import get_user_model, password_validation
from django.contrib.auth.validators import UnicodeUsernameValidator
from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.crypto import get_random_string

from config.refusals import refuse
from lots.models import Party, Person
from lots.texts import checked_text

USERNAME_MAX: Final = 150
NAME_MAX: Final = 150
# No two signs that look alike; 16 of 31 are 79 bits.
_SIGNS: Final = "23456789abcdefghjkmnpqrstuvwxyz"
_GROUP, _GROUPS = 4, 4


@transaction.atomic
def add_person(*, username: str, role: str, party: str = "", name: str = "") -> tuple[Person, str]:
    """The person, and the password for the first sign-in, which is told this once.

    `party` is the code of the customer whose metal somebody of the role customer may look at. Who
    can sign in already and has no role is given one and keeps the password: none is told. Raises
    InvalidError `empty`, `too_long`, `not_text`, `not_a_username`, `unknown_choice`,
    `party_needed`, `party_not_asked`, `unknown_name`, `not_a_customer`; ConflictError
    `username_taken`.
    """
    username = _checked_username(username)
    name = checked_text(name, field="name", limit=NAME_MAX)
    of = _checked_party(role, party)
    users = get_user_model()._default_manager
    user: Any = users.select_for_update().filter(username__iexact=username).first()
    password = ""
    if user is None:
        groups = (get_random_string(_GROUP, _SIGNS) for _ in range(_GROUPS))
        password = "-".join(groups)
        user = users.create_user(username, password=password)
    elif Person.objects.filter(user_id=user.pk).exists() or not user.is_active:
        raise refuse("username_taken", field="username", value=username)
    if name:
        user.first_name, _, user.last_name = name.partition(" ")
        user.save(update_fields=["first_name", "last_name"])
    person = Person.objects.create(
        user=user, role=role, party=of, must_change_password=bool(password)
    )
    return person, password


@transaction.atomic
def choose_password(*, user: Any, password: str) -> None:
    """The user's own password from now on; other sessions of theirs end.

    Raises InvalidError `password_weak`, `same_password`.
    """
    if user.check_password(password):
        raise refuse("same_password", field="password")
    try:
        password_validation.validate_password(password, user)
    except ValidationError as error:
        raise refuse("password_weak", field="password", error=" ".join(error.messages)) from error
    user.set_password(password)
    user.save(update_fields=["password"])
    Person.objects.filter(user_id=user.pk).update(must_change_password=False)


def _checked_username(username: str) -> str:
    username = checked_text(username, field="username", limit=USERNAME_MAX, required=True)
    try:
        UnicodeUsernameValidator()(username)
    except ValidationError as error:
        raise refuse("not_a_username", field="username", value=username) from error
    return username


def _checked_party(role: str, code: str) -> Party | None:
    if role not in Person.Role.values:
        raise refuse(
            "unknown_choice:people", field="role", value=role, person=", ".join(Person.Role.values)
        )
    if role != Person.Role.CUSTOMER:
        if code:
            raise refuse("party_not_asked", field="party", value=code)
        return None
    if not code:
        raise refuse("party_needed", field="party")
    party = Party.objects.filter(code=code).first()
    if party is None:
        raise refuse("unknown_name:people", field="party", value=code)
    if party.kind != Party.Kind.CUSTOMER or not party.is_active:
        raise refuse("not_a_customer", field="party", value=code, party=party)
    return party
