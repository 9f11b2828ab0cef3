"""Which months the books span, from the first movement to the present, and how far each is."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from django.db.models import Min

from lots.models import BooksMonth, Movement
from lots.queries.works_zone import next_month
from reports.models import MonthEnd
from reports.queries.month.periods import Period, local_day, month_periods


@dataclass(frozen=True)
class MonthOnBooks:
    """One month; `close_state` is how far its close has come, empty before it is begun."""

    period: Period
    is_over: bool
    is_closed: bool
    close_state: str

    @property
    def close_name(self) -> str:
        return str(MonthEnd.State(self.close_state).label) if self.close_state else "Not begun"


def months_on_books(now: dt.datetime) -> list[MonthOnBooks]:
    """Oldest first, in three queries; none before the first movement."""
    first = Movement.objects.aggregate(first=Min("occurred_at"))["first"]
    if first is None:
        return []
    rows = {
        month.first_day: month for month in BooksMonth.objects.select_related("month_end").all()
    }
    today = local_day(now)
    days = [min([local_day(first).replace(day=1), *rows])]
    while next_month(days[-1]) <= today:
        days.append(next_month(days[-1]))
    found = []
    for period in month_periods(days):
        row = rows.get(period.first_day)
        month_end = getattr(row, "month_end", None)
        found.append(
            MonthOnBooks(
                period=period,
                is_over=period.ends_at <= now,
                is_closed=row is not None and row.state == BooksMonth.State.CLOSED,
                close_state=month_end.state if month_end is not None else "",
            )
        )
    return found
