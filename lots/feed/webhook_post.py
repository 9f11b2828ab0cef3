"""Sends one message to an address that somebody entered, and to nothing inside the works' network.

The name is looked up once, every address it has is checked, and the connection is made to a checked
one, so that a name can't change its mind in between. Redirects are not followed.
"""

from __future__ import annotations

import http.client
import ipaddress
import socket
import ssl
import threading
from dataclasses import dataclass
from typing import Final
from urllib.parse import SplitResult, urlsplit

from django.conf import settings

from config.refusals import RefusalError, refuse

URL_LENGTH_MAX: Final = 300
# Addresses of IPv6 that stand for one of IPv4, apart from those the library knows.
_NAT64: Final = ipaddress.ip_network("64:ff9b::/96")

Address = ipaddress.IPv4Address | ipaddress.IPv6Address


class NotSentError(Exception):
    """Why a message did not arrive, as a short code for the record: no text of the receiver's."""


@dataclass(frozen=True)
class Sent:
    """What the receiver answered."""

    status: int

    @property
    def arrived(self) -> bool:
        return 200 <= self.status < 300


def check_url(url: str) -> str:
    """An address that may be written down; what its name leads to is checked at each sending.

    Raises InvalidError `address_not_allowed`.
    """
    parts = _split(url)
    schemes = {"https", "http"} if settings.WEBHOOK_PLAIN_HTTP else {"https"}
    if (
        parts is None
        or len(url) > URL_LENGTH_MAX
        or not url.isascii()
        or any(character.isspace() or not character.isprintable() for character in url)
        or parts.scheme not in schemes
        or not parts.hostname
        or parts.username is not None
        or parts.fragment
    ):
        raise _not_allowed(url, "Give an https address without a name, password or fragment.")
    try:
        literal = ipaddress.ip_address(parts.hostname)
    except ValueError:
        return url
    if not is_allowed(literal):
        raise _not_allowed(url, "Give an address that is reached over the internet.")
    return url


def is_allowed(address: Address) -> bool:
    """Whether messages may go there: public addresses, and the networks named in the settings."""
    address = _stands_for(address)
    for network in settings.WEBHOOK_PRIVATE_NETWORKS:
        if address in ipaddress.ip_network(network):
            return True
    return address.is_global and not address.is_multicast and not address.is_reserved


def post_message(url: str, headers: dict[str, str], body: bytes) -> Sent:
    """Sends the message and answers the status. Raises NotSentError when there is none."""
    check_url(url)
    parts = urlsplit(url)
    assert parts.hostname is not None
    port = parts.port or (443 if parts.scheme == "https" else 80)
    connection = _connection(parts.scheme, parts.hostname, port, _allowed_address(parts, port))
    # Each wait has its limit; a receiver that drips one byte at a time meets this one.
    over = threading.Event()
    deadline = threading.Timer(settings.WEBHOOK_SECONDS_MAX, _cut, [connection, over])
    deadline.start()
    target = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    try:
        connection.request("POST", target, body, {**headers, "Connection": "close"})
        # The status is all that counts; what else the receiver says is not read.
        return Sent(connection.getresponse().status)
    except ssl.SSLError as error:
        raise NotSentError("certificate") from error
    except TimeoutError as error:
        raise NotSentError("timeout") from error
    except (OSError, http.client.HTTPException, ValueError) as error:
        raise NotSentError("timeout" if over.is_set() else "no_answer") from error
    finally:
        deadline.cancel()
        connection.close()


def _connection(scheme: str, host: str, port: int, address: Address) -> http.client.HTTPConnection:
    seconds = settings.WEBHOOK_SECONDS_MAX

    def to_checked(_: object, timeout: object, source: object) -> socket.socket:
        return socket.create_connection((str(address), port), timeout=seconds)

    connection = (
        http.client.HTTPSConnection(
            host, port, timeout=seconds, context=ssl.create_default_context()
        )
        if scheme == "https"
        else http.client.HTTPConnection(host, port, timeout=seconds)
    )
    # The certificate is still checked against the name.
    connection._create_connection = to_checked  # type: ignore[attr-defined]
    return connection


def _cut(connection: http.client.HTTPConnection, over: threading.Event) -> None:
    over.set()
    if connection.sock is not None:
        connection.sock.shutdown(socket.SHUT_RDWR)


def _allowed_address(parts: SplitResult, port: int) -> Address:
    try:
        found = socket.getaddrinfo(parts.hostname, port, type=socket.SOCK_STREAM)
    except OSError as error:
        raise NotSentError("unknown_host") from error
    addresses = [ipaddress.ip_address(str(each[4][0]).partition("%")[0]) for each in found]
    if not addresses or not all(map(is_allowed, addresses)):
        raise NotSentError("address_not_allowed")
    return addresses[0]


def _stands_for(address: Address) -> Address:
    if isinstance(address, ipaddress.IPv4Address):
        return address
    if address in _NAT64:
        return ipaddress.IPv4Address(int(address) & 0xFFFFFFFF)
    return address.ipv4_mapped or address.sixtofour or address


def _split(url: str) -> SplitResult | None:
    try:
        parts = urlsplit(url)
        _ = parts.port
    except ValueError:
        return None
    return parts


def _not_allowed(url: str, remedy: str) -> RefusalError:
    return refuse("address_not_allowed", field="url", value=url, it=remedy)
