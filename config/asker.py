"""From which address somebody asks, as far as it can be told."""

from __future__ import annotations

import ipaddress

from django.conf import settings
from django.http import HttpRequest


def address_of(request: HttpRequest) -> str | None:
    """The address that the connection comes from; None when it has none, as over a local socket.

    With TRUST_PROXY it is what our proxy added last to X-Forwarded-For, if that is an address; what
    stood there before is the asker's word. Without, nothing forwarded counts, whoever sends it.
    """
    peer = _valid(request.META.get("REMOTE_ADDR", ""))
    if not settings.TRUST_PROXY:
        return peer
    return _valid(request.headers.get("X-Forwarded-For", "").rsplit(",", 1)[-1]) or peer


def _valid(text: str) -> str | None:
    try:
        return str(ipaddress.ip_address(text.strip()))
    except ValueError:
        return None
