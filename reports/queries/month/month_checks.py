"""Is every closed month still as it was closed? Run with the ledger's own checks."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Final

from lots.ledger.ledger_checks import Check
from reports.models import MonthEnd, StatementSignature
from reports.queries.month.periods import month_periods
from reports.queries.month.signed_statement import against_ledger
from reports.queries.month.statement_digest import statement_digests
from reports.signatures import holds

# A movement recorded at the very moment of closing may have come just before it. A closed month
# locks whatever is before it too, which the second half asks of the first month closed.
RECORDED_AFTER_CLOSE: Final = """
SELECT m.sequence, m.id AS movement_id, b.first_day, m.occurred_at AS at, m.recorded_at AS recorded,
       e.closed_at
FROM lots_booksmonth b
JOIN reports_monthend e ON e.books_month_id = b.id
JOIN lots_movement m ON m.occurred_at >= b.starts_at AND m.occurred_at < b.ends_at
WHERE b.state = 'closed' AND m.recorded_at > e.closed_at
UNION ALL
SELECT m.sequence, m.id, b.first_day, m.occurred_at, m.recorded_at, e.closed_at
FROM lots_booksmonth b
JOIN reports_monthend e ON e.books_month_id = b.id
JOIN lots_movement m ON m.occurred_at < b.starts_at AND m.recorded_at > e.closed_at
WHERE b.first_day = (SELECT MIN(first_day) FROM lots_booksmonth WHERE state = 'closed')
"""

LOCK_DIFFERS: Final = """
SELECT b.id AS month_id, b.first_day, b.state AS books, e.state AS month_end
FROM reports_monthend e JOIN lots_booksmonth b ON b.id = e.books_month_id
WHERE (b.state = 'closed') <> (e.state = 'closed')
"""


def signatures_that_fail() -> Iterator[dict[str, object]]:
    """Signed statements that their key denies, or that tell of another ledger than this one."""
    rows = StatementSignature.objects.select_related("month_end__books_month").order_by("id")
    for row in rows.iterator(200):
        about = {"signature_id": row.pk, "month": str(row.month_end.books_month)}
        if not holds(row.public_key, row.content, row.signature):
            yield {**about, "found": "the signature does not hold"}
            continue
        for found in against_ledger(json.loads(row.content)):
            yield {**about, "found": found}


def months_not_as_approved() -> Iterator[dict[str, object]]:
    """Closed months of which the books now give other figures than those that were approved."""
    closed = list(
        MonthEnd.objects.filter(state=MonthEnd.State.CLOSED)
        .order_by("books_month__first_day")
        .values_list("pk", "books_month__first_day", "statement_digest")
    )
    periods = month_periods(first_day for _, first_day, _ in closed)
    digests = statement_digests(periods)
    for (pk, _, approved), period, digest in zip(closed, periods, digests, strict=True):
        if digest != approved:
            yield {"month_end_id": pk, "month": str(period), "approved": approved, "now": digest}


CHECKS: Final = (
    Check(
        "closed-figures",
        "the books give every closed month the figures that were approved and signed",
        "reports_monthend",
        months_not_as_approved,
    ),
    Check(
        "signed-statements",
        "every signed statement's signature holds, and the ledger it names is this one",
        "reports_statementsignature",
        signatures_that_fail,
    ),
    Check(
        "closed-months",
        "nothing was recorded into a month after it was closed",
        "lots_movement",
        RECORDED_AFTER_CLOSE,
    ),
    Check(
        "month-lock",
        "the books of a month are locked exactly while its month end is closed",
        "reports_monthend",
        LOCK_DIFFERS,
    ),
)
