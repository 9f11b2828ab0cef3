"""Whether a token opens a link, and what the link may show."""

from __future__ import annotations

import hashlib
from typing import Final

from django.core import signing
from django.utils.crypto import constant_time_compare

from lots import clock
from lots.models import Lot, Party
from reports.models import Settlement, SharedLink

SALT: Final = "reports.shared_link"
TOKEN_MAX: Final = 120
# What a customer may see of their settlements, signed in or by a link.
SHOWN_STATES: Final = (Settlement.State.APPROVED, Settlement.State.SUPERSEDED)


def token_signer() -> signing.Signer:
    return signing.Signer(salt=SALT, sep=".")


def digest_of_token(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()


def link_of(token: str) -> SharedLink | None:
    """The link that this token opens now; None when it is unknown, expired, revoked or void.

    A token that was not signed here is turned away before anything is looked up. The caller tells
    nobody which of these it was.
    """
    if len(token) > TOKEN_MAX or not token.isascii():
        return None
    try:
        token_signer().unsign(token)
    except signing.BadSignature:
        return None
    digest = digest_of_token(token)
    link = (
        SharedLink.objects.select_related("customer", "settlement", "lot__received_from")
        .filter(token_sha256=digest)
        .first()
    )
    if link is None or not constant_time_compare(link.token_sha256, digest):
        return None
    return link if is_open(link) and is_theirs(link) else None


def is_open(link: SharedLink) -> bool:
    """Neither expired nor revoked."""
    return link.revoked_at is None and clock.now() < link.expires_at


def is_theirs(link: SharedLink) -> bool:
    """Whether what the link shows is still that customer's to see."""
    if link.settlement is not None:
        seen = link.settlement.state in SHOWN_STATES
        return seen and link.settlement.customer_id == link.customer_id
    assert link.lot is not None
    return customer_to_answer(link.lot) == link.customer


def customer_to_answer(lot: Lot) -> Party | None:
    """The customer who may read the lot's answer: who sent it in."""
    sender = lot.received_from
    return sender if sender is not None and sender.kind == Party.Kind.CUSTOMER else None
