"""A link to one statement or one lot's answer is made, read, revoked."""

from __future__ import annotations

import datetime as dt
import secrets
from dataclasses import replace
from typing import Annotated, Final

from django.db import transaction
from django.db.models import F

from config.refusals import refuse
from lots import clock
from lots.declaration.event import Asks, Event, On
from lots.ledger.recording import Act, recorded_once
from lots.models import Lot, Party
from lots.people.roles import OFFICE
from lots.services.lot_register import ON_LOT
from reports.models import AccessRecord, Settlement, SharedLink
from reports.queries.shared_links import (
    SHOWN_STATES,
    customer_to_answer,
    digest_of_token,
    link_of,
    token_signer,
)
from reports.services.access_records import record_access
from reports.services.settlement import ON_SETTLEMENT

DAYS_MAX: Final = 90
DAYS_USUAL: Final = 14
SECRET_BYTES: Final = 32


@recorded_once
def share_link(
    *,
    act: Act,
    days: Annotated[
        int,
        Asks(
            "Days it stays open",
            f"1 to {DAYS_MAX}. It can be revoked sooner.",
            at_least=-1000,
            at_most=10_000,
        ),
    ] = DAYS_USUAL,
    settlement: Settlement | None = None,
    lot: Lot | None = None,
) -> SharedLink:
    """Makes a link to a settlement in force, or to a lot's answer, for `days` from now.

    The row that is returned carries the token as `token`, this once: only its hash is kept, so a
    repeated request returns the link without it. Raises InvalidError `one_thing`,
    `expiry_out_of_range`; ConflictError `not_approved`, `lot_has_no_customer`.
    """
    if not 1 <= days <= DAYS_MAX:
        raise refuse(
            "expiry_out_of_range:shared_links", field="days", value=days, days_max=DAYS_MAX
        )
    customer = _customer(settlement, lot)
    token = token_signer().sign(secrets.token_urlsafe(SECRET_BYTES))
    now = clock.now()
    link = SharedLink.objects.create(
        token_sha256=digest_of_token(token),
        customer=customer,
        settlement=settlement,
        lot=lot,
        note=act.note,
        created_at=now,
        created_by_id=act.who.pk,
        expires_at=now + dt.timedelta(days=days),
    )
    link.token = token  # type: ignore[attr-defined]
    return link


SHARE: Final = Event(
    share_link,
    at="shared-links/share",
    about="""Make a link that shows one settlement, or one lot's answer, without a sign-in.

    Whoever has the address can read it until it expires or is revoked.
    """,
    lead="Whoever has the address can read this one thing until the link expires or is revoked. "
    "The address is shown once and is not kept.",
    button="Make the link",
    done="The link is made.",
    section="settlements",
    roles=OFFICE,
    never_kept=("address",),
    when="",
    why="For whom, or why",
    lands="links",
)
SHARE_SETTLEMENT: Final = replace(
    SHARE,
    at="",
    page_at="share",
    template="",
    on=ON_SETTLEMENT,
    name="settlement-share",
    title="Share a settlement",
    fixed={"lot": None},
)
SHARE_ANSWER: Final = replace(
    SHARE,
    at="",
    page_at="share",
    on=ON_LOT,
    name="answer-share",
    title="Share a lot's answer",
    fixed={"settlement": None},
    template="reports/link_step.html",
)


@recorded_once
def revoke_link(*, link: SharedLink, act: Act) -> SharedLink:
    """Closes a link at once and for good. Raises ConflictError `already_revoked`."""
    link.refresh_from_db()
    if link.revoked_at is not None:
        raise refuse("already_revoked:shared_links", field="link", value=link.pk)
    link.revoked_at = clock.now()
    link.revoked_by_id = act.who.pk
    link.save(update_fields=["revoked_at", "revoked_by"])
    return link


REVOKE: Final = Event(
    revoke_link,
    on=On(SharedLink, "shared-links/<int:pk>", "link", section="settlements"),
    at="revoke",
    name="link-revoke",
    about="Close a link at once and for good.",
    title="Revoke a link",
    lead="It opens nothing from now on, for good.",
    button="Revoke it",
    done="Revoked. It opens nothing any more.",
    roles=OFFICE,
    template="reports/link_step.html",
    when="",
    lands="links",
    page_at="/links/<int:pk>/revoke",
)


def read_link(token: str, form: str) -> SharedLink | None:
    """The link that the token opens, its reading counted and kept; None when it opens none."""
    link = link_of(token)
    if link is None:
        return None
    is_settlement = link.settlement is not None
    subject = link.settlement or link.lot
    assert subject is not None
    with transaction.atomic():
        SharedLink.objects.filter(pk=link.pk).update(reads=F("reads") + 1, last_read_at=clock.now())
        record_access(
            customer=link.customer,
            what=AccessRecord.What.SETTLEMENT if is_settlement else AccessRecord.What.LOT_ANSWER,
            reference=subject.code,
            form=form,
            link=link,
        )
    return link


def _customer(settlement: Settlement | None, lot: Lot | None) -> Party:
    if (settlement is None) == (lot is None):
        raise refuse("one_thing", field="settlement")
    if settlement is not None:
        settlement.refresh_from_db(fields=["state"])
        if settlement.state not in SHOWN_STATES:
            raise refuse("not_approved:shared_links", field="settlement", value=settlement.code)
        return settlement.customer
    assert lot is not None
    customer = customer_to_answer(lot)
    if customer is None:
        raise refuse("lot_has_no_customer", field="lot", value=lot.code)
    return customer
