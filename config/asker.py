"""From which address somebody asks, as far as it can be told."""

from __future__ import annotations

import ipaddress
from typing import Final

from django.conf import settings
from django.http import HttpRequest

# RFC 1122, 1918 and 3927; RFC 4193 and 4291.
_NEAR: Final = [
    ipaddress.ip_network(text)
    for text in (
        "127.0.0.0/8",
        "10.0.0.0/8",
        "172.16.0.0/12",
        "192.168.0.0/16",
        "169.254.0.0/16",
        "::1/128",
        "fc00::/7",
        "fe80::/10",
    )
]


def address_of(request: HttpRequest) -> str | None:
    """The asker's own address; None when a proxy nobody told us of stands between.

    With TRUST_PROXY it is what our proxy added last to X-Forwarded-For; what stood there before is
    the asker's word. Without, a forwarded request from the own network tells only the proxy's.
    """
    forwarded = request.headers.get("X-Forwarded-For", "")
    if settings.TRUST_PROXY:
        return _valid(forwarded.rsplit(",", 1)[-1])
    address = _valid(request.META.get("REMOTE_ADDR", ""))
    if address and forwarded and _is_near(address):
        return None
    return address


def _is_near(address: str) -> bool:
    """Whether the address is of this machine or of the own network, as a proxy's is."""
    asked = ipaddress.ip_address(address)
    return any(asked in network for network in _NEAR if network.version == asked.version)


def _valid(text: str) -> str | None:
    try:
        return str(ipaddress.ip_address(text.strip()))
    except ValueError:
        return None
