"""Is every closed month still as it was closed? Run with the ledger's own checks."""

from __future__ import annotations

from typing import Final

from lots.queries.ledger_checks import Check

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

CHECKS: Final = (
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
