"""A program's key is made, used, revoked. It never may more than the person it stands for."""

from __future__ import annotations

import datetime as dt
import hashlib
import secrets
from collections.abc import Collection
from typing import Any, Final

from django.db.models import Q

from config.refusals import ConflictError, ForbiddenError, InvalidError
from lots import clock
from lots.models import ApiToken, Person
from lots.queries.people import check_password_chosen
from lots.queries.roles import OFFICE, role_of_user
from lots.services.recording import Act, recorded_once
from lots.texts import checked_text

DAYS_MAX: Final = 366
NAME_MAX: Final = 80
START: Final = "pl_"
SECRET_BYTES: Final = 32
SHOWN: Final = 8
# A key's last use is kept to the minute, so that using it is not a write each time.
USE_NOTED_EVERY: Final = dt.timedelta(minutes=1)


def scopes_of(role: str | None) -> frozenset[str]:
    """The most that a token of a person with this role may do."""
    scope = ApiToken.Scope
    if role is None:
        return frozenset()
    reading = frozenset({scope.READ.value, scope.REPORT.value})
    if role == Person.Role.CUSTOMER:
        return reading
    recording = reading | {scope.RECORD.value}
    return recording | {scope.ADMINISTER.value} if role in OFFICE else recording


def make_token(
    *, user: Any, name: str, scopes: Collection[str], days: int, created_by: Any
) -> tuple[ApiToken, str]:
    """The token and its key, which is told this once: only its hash is kept.

    Raises InvalidError `empty`, `too_long`, `not_text`, `unknown_choice`, `scope_needed`,
    `expiry_out_of_range`; ForbiddenError `scope_above_role`, `password_not_chosen`.
    """
    check_password_chosen(user)
    name = checked_text(name, field="name", limit=NAME_MAX, required=True)
    _check_scopes(set(scopes), user)
    if not 1 <= days <= DAYS_MAX:
        raise InvalidError(
            "A token lasts for some days and not for ever.",
            code="expiry_out_of_range",
            field="days",
            value=days,
            remedy=f"Give 1 to {DAYS_MAX} days.",
        )
    key = START + secrets.token_urlsafe(SECRET_BYTES)
    now = clock.now()
    token = ApiToken.objects.create(
        user=user,
        name=name,
        token_sha256=digest_of_key(key),
        shown_start=key[:SHOWN],
        scopes=sorted(set(scopes)),
        created_at=now,
        created_by=created_by,
        expires_at=now + dt.timedelta(days=days),
    )
    return token, key


def digest_of_key(key: str) -> str:
    """A key is 32 random bytes, so one round of SHA-256 can't be guessed back."""
    return hashlib.sha256(key.encode()).hexdigest()


def note_use(token: ApiToken) -> None:
    now = clock.now()
    ApiToken.objects.filter(
        Q(last_used_at=None) | Q(last_used_at__lt=now - USE_NOTED_EVERY), pk=token.pk
    ).update(last_used_at=now)


@recorded_once
def revoke_token(*, token: ApiToken, act: Act) -> ApiToken:
    """Closes a token at once and for good. Raises ConflictError `already_revoked`."""
    token.refresh_from_db()
    if token.revoked_at is not None:
        raise ConflictError(
            "This token is revoked already.",
            code="already_revoked",
            field="token",
            value=token.pk,
            remedy="Nothing more is needed.",
        )
    token.revoked_at, token.revoked_by_id = clock.now(), act.who.pk
    token.save(update_fields=["revoked_at", "revoked_by"])
    return token


def _check_scopes(scopes: set[str], user: Any) -> None:
    if not scopes:
        raise InvalidError(
            "The token may do nothing.",
            code="scope_needed",
            field="scopes",
            remedy="Name what its program does: " + ", ".join(ApiToken.Scope.values) + ".",
        )
    unknown = sorted(scopes - set(ApiToken.Scope.values))
    if unknown:
        raise InvalidError(
            "There is no such scope.",
            code="unknown_choice",
            field="scopes",
            value=unknown[0],
            remedy="Use some of: " + ", ".join(ApiToken.Scope.values) + ".",
        )
    above = sorted(scopes - scopes_of(role_of_user(user)))
    if above:
        raise ForbiddenError(
            "A token may not do more than the person it stands for.",
            code="scope_above_role",
            field="scopes",
            value=above[0],
            remedy="Leave this scope out, or have somebody of that role make the token.",
        )
