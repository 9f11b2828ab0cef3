"""Signing in by a program's key: `Authorization: Bearer <key>` (or `Token <key>`)."""

from __future__ import annotations

from typing import Any, Final

from drf_spectacular.extensions import OpenApiAuthenticationExtension
from rest_framework import exceptions
from rest_framework.authentication import BaseAuthentication, get_authorization_header
from rest_framework.request import Request

from lots import clock
from lots.models import ApiToken
from lots.people.acting import check_password_chosen
from lots.people.token_list import is_outlived
from lots.people.tokens import START, digest_of_key, note_use

_KEYWORDS: Final = {b"bearer", b"token"}
_KEY_MAX: Final = 120


class ByToken(BaseAuthentication):
    """Answers 401 to a key of no use: `token_unknown`, `token_expired`, `token_revoked`,
    `token_password_changed`.

    And 403 `password_not_chosen` while its person has a password that was given to them.
    """

    def authenticate(self, request: Request) -> tuple[Any, ApiToken] | None:
        parts = get_authorization_header(request).split()
        if not parts or parts[0].lower() not in _KEYWORDS:
            return None
        token = _token_of(parts[1]) if len(parts) == 2 else None
        if token is None or not token.user.is_active:
            raise _refused("token_unknown", "This token is not known here.")
        if token.revoked_at is not None:
            raise _refused("token_revoked", "This token was revoked.")
        if token.expires_at <= clock.now():
            raise _refused("token_expired", "This token has expired.")
        if is_outlived(token):
            raise _refused("token_password_changed", "The password was changed since.")
        check_password_chosen(token.user)
        note_use(token)
        return token.user, token

    def authenticate_header(self, request: Request) -> str:
        return "Bearer"


def _token_of(key: bytes) -> ApiToken | None:
    if len(key) > _KEY_MAX or not key.isascii() or not key.decode().startswith(START):
        return None
    digest = digest_of_key(key.decode())
    return ApiToken.objects.select_related("user").filter(token_sha256=digest).first()


def _refused(code: str, message: str) -> exceptions.AuthenticationFailed:
    return exceptions.AuthenticationFailed(message, code=code)


class Description(OpenApiAuthenticationExtension):  # type: ignore[no-untyped-call]
    target_class = ByToken
    name = "token"

    def get_security_definition(self, auto_schema: Any) -> dict[str, Any]:
        return {
            "type": "http",
            "scheme": "bearer",
            "description": "A key made at /tokens/ or by POST /api/v1/token/. Its scopes: "
            + ", ".join(f"{scope.value} ({scope.label})" for scope in ApiToken.Scope)
            + ".",
        }
