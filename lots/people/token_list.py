"""Which tokens a person may see and revoke, and whether one outlived its person's password."""

from __future__ import annotations

import hashlib
from typing import Any

from django.db.models import QuerySet

from lots.models import ApiToken, Person
from lots.people.roles import role_of_user


def tokens_seen_by(user: Any) -> QuerySet[ApiToken]:
    """The manager everyone's, everybody else their own."""
    if not user.is_authenticated:
        return ApiToken.objects.none()
    if role_of_user(user) == Person.Role.MANAGER:
        return ApiToken.objects.all()
    return ApiToken.objects.filter(user_id=user.pk)


def digest_of_password(user: Any) -> str:
    """Of the password as it is stored: salted and slow to guess, so this tells nothing of it."""
    return hashlib.sha256(user.password.encode()).hexdigest()


def is_outlived(token: ApiToken) -> bool:
    """Whether the person's password is another one than the token was made under."""
    return token.password_sha256 != digest_of_password(token.user)
