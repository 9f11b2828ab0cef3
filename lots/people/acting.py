"""Who a command acts for, whom to ask for a role, and who has no password of their own yet."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

from django.contrib.auth import get_user_model
from django.contrib.auth.models import AbstractBaseUser

from config.refusals import RefusalError, refuse
from lots.models import Person
from lots.people.roles import role_of_user


def acting_person(username: str, roles: Collection[str] | None = None) -> AbstractBaseUser:
    """The person of that name. Raises UnknownError `unknown_person`, ForbiddenError `other_role`.

    `roles` None means anyone who works here. Superusers act as managers.
    """
    user = get_user_model()._default_manager.filter(username=username, is_active=True).first()
    if user is None:
        raise refuse("unknown_person", field="as", value=username)
    role = role_of_user(user)
    if role in (None, Person.Role.CUSTOMER) or (roles is not None and role not in roles):
        raise refuse("other_role", field="as", value=username)
    return user


def managers() -> list[str]:
    """The names of the managers who can sign in, of superusers while there are none."""
    users: Any = get_user_model()._default_manager.filter(is_active=True)
    found = users.filter(person__role=Person.Role.MANAGER) or users.filter(is_superuser=True)
    return sorted(each.get_full_name() or each.get_username() for each in found)


def check_password_chosen(user: Any) -> None:
    """Raises ForbiddenError `password_not_chosen` for who has a password that was given to them."""
    if Person.objects.filter(user_id=user.pk, must_change_password=True).exists():
        raise not_chosen()


def not_chosen() -> RefusalError:
    return refuse("password_not_chosen", field="password")
