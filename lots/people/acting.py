"""Who a command acts for: commands have no sign-in, so the person is named."""

from __future__ import annotations

from collections.abc import Collection

from django.contrib.auth import get_user_model
from django.contrib.auth.models import AbstractBaseUser

from config.refusals import refuse
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
