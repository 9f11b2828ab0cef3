"""Which tokens a person may see and revoke."""

from __future__ import annotations

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
