"""A closed month's statement is signed with the works' key, when it has one."""

from __future__ import annotations

from config.refusals import refuse
from lots import clock
from lots.ledger.recording import Act, recorded_once
from reports.models import MonthEnd, StatementSignature
from reports.queries.month.signed_statement import statement_content
from reports.services.signing_key import private_key
from reports.signatures import public_key_of, sign


@recorded_once
def sign_statement(*, month_end: MonthEnd, act: Act) -> StatementSignature:
    """Signs a month that was closed without a key, or anew with the key in use now.

    Raises ConflictError `not_closed`, `no_signing_key`, `signing_key_open`, `signing_key_broken`.
    """
    month_end.refresh_from_db()
    if month_end.state != MonthEnd.State.CLOSED:
        raise refuse(
            "not_closed",
            field="month",
            value=str(month_end.books_month),
            books_month=month_end.books_month,
        )
    signed = signed_with_key(month_end, act)
    if signed is None:
        raise refuse("no_signing_key", field="signing_key")
    return signed


def signed_with_key(month_end: MonthEnd, act: Act) -> StatementSignature | None:
    """Signs the statement of a month just closed; None when the works has no key."""
    key = private_key()
    if key is None:
        return None
    signed_at = clock.now()
    content = statement_content(month_end, signed_at)
    return StatementSignature.objects.create(
        month_end=month_end,
        content=content,
        statement_digest=month_end.statement_digest,
        public_key=public_key_of(key),
        signature=sign(key, content),
        signed_at=signed_at,
        signed_by_id=act.who.pk,
    )
