"""The signature of a message that is sent out, by the Standard Webhooks specification, 1.0.

Headers `webhook-id`, `webhook-timestamp` (seconds since 1970) and `webhook-signature`: `v1,` and
the base64 of HMAC-SHA256 over "id.timestamp.body" (from memory).
"""

from __future__ import annotations

import base64
import hashlib
import hmac
from typing import Final

ID_HEADER: Final = "webhook-id"
TIMESTAMP_HEADER: Final = "webhook-timestamp"
SIGNATURE_HEADER: Final = "webhook-signature"
SECRET_PREFIX: Final = "whsec_"  # noqa: S105 - what every secret begins with
OLD_AFTER_SECONDS: Final = 300


def shown_secret(secret: bytes) -> str:
    """The secret as it is given to the receiver."""
    return SECRET_PREFIX + base64.b64encode(secret).decode()


def signed(secret: bytes, message_id: str, timestamp: int, body: bytes) -> dict[str, str]:
    """The three headers of a message."""
    text = f"{message_id}.{timestamp}.".encode() + body
    code = base64.b64encode(hmac.new(secret, text, hashlib.sha256).digest()).decode()
    return {
        ID_HEADER: message_id,
        TIMESTAMP_HEADER: str(timestamp),
        SIGNATURE_HEADER: f"v1,{code}",
    }


def is_genuine(shown: str, headers: dict[str, str], body: bytes, now: int) -> bool:
    """Whether a message is by the holder of the secret and no older than five minutes.

    What a receiver does; `headers` have names in lower case.
    """
    given = headers.get(TIMESTAMP_HEADER, "")
    if not given.isdigit() or abs(now - int(given)) > OLD_AFTER_SECONDS:
        return False
    secret = base64.b64decode(shown.removeprefix(SECRET_PREFIX))
    expected = signed(secret, headers.get(ID_HEADER, ""), int(given), body)[SIGNATURE_HEADER]
    return any(
        hmac.compare_digest(each, expected) for each in headers.get(SIGNATURE_HEADER, "").split(" ")
    )
