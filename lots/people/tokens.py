"""A program's key is made, used, revoked. It never may more than the person it stands for."""

from __future__ import annotations

import datetime as dt
import hashlib
import secrets
from collections.abc import Collection
from typing import Any, Final

from django.db.models import Q

from config.refusals import refuse
from lots import clock
from lots.ledger.recording import Act, recorded_once
from lots.models import ApiToken, Person
from lots.people.acting import check_password_chosen
from lots.people.roles import OFFICE, role_of_user
from lots.people.token_list import digest_of_password
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

    It ends with the person's password.

    Raises InvalidError `empty`, `too_long`, `not_text`, `unknown_choice`, `scope_needed`,
    `expiry_out_of_range`; ForbiddenError `scope_above_role`, `password_not_chosen`.
    """
    check_password_chosen(user)
    name = checked_text(name, field="name", limit=NAME_MAX, required=True)
    _check_scopes(set(scopes), user)
    if not 1 <= days <= DAYS_MAX:
        raise refuse("expiry_out_of_range", field="days", value=days, days_max=DAYS_MAX)
    key = START + secrets.token_urlsafe(SECRET_BYTES)
    now = clock.now()
    token = ApiToken.objects.create(
        user=user,
        name=name,
        token_sha256=digest_of_key(key),
        password_sha256=digest_of_password(user),
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
        raise refuse("already_revoked", field="token", value=token.pk)
    token.revoked_at, token.revoked_by_id = clock.now(), act.who.pk
    token.save(update_fields=["revoked_at", "revoked_by"])
    return token


def _check_scopes(scopes: set[str], user: Any) -> None:
    if not scopes:
        raise refuse("scope_needed", field="scopes", apitoken=", ".join(ApiToken.Scope.values))
    unknown = sorted(scopes - set(ApiToken.Scope.values))
    if unknown:
        raise refuse(
            "unknown_choice",
            field="scopes",
            value=unknown[0],
            apitoken=", ".join(ApiToken.Scope.values),
        )
    above = sorted(scopes - scopes_of(role_of_user(user)))
    if above:
        raise refuse("scope_above_role", field="scopes", value=above[0])
