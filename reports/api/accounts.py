"""A customer's statement of account, and the ledger's lines, for a span of days."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any, Final

from django.shortcuts import get_object_or_404
from rest_framework import serializers

from config.refusals import refuse
from lots.api.questions import RECORDED_AS_OF
from lots.models import Party
from lots.people.permissions import StaffOrCustomer, customer_looking
from reports.api.answers import ReportView, note_read
from reports.exports.account_statement import account_tables
from reports.exports.movements import movements_table
from reports.exports.tables import Table
from reports.models import AccessRecord
from reports.queries.account_statement import AccountStatement, account_statement
from reports.queries.month.periods import day_start
from reports.queries.movements_list import MovementRow, entries_between, movement_rows

# Lines of the ledger in one JSON answer; a CSV has no such limit.
JSON_LINES_MAX: Final = 10_000
YEAR_MAX: Final = 9000
# A span of days on the works' calendar, both included.
DAYS: Final = {"from_date": serializers.DateField(), "to_date": serializers.DateField()}


def span_asked(asked: dict[str, Any]) -> tuple[dt.datetime, dt.datetime]:
    """From the first day's beginning to the end of the last. Raises InvalidError."""
    first, last = asked["from_date"], asked["to_date"]
    if last.year > YEAR_MAX:
        raise refuse("too_large:accounts", field="to_date", value=last)
    if last < first:
        raise refuse("range_reversed", field="to_date", value=last)
    return day_start(first), day_start(last + dt.timedelta(days=1))


class AccountReport(ReportView):
    """A customer's statement of account: metal in, out and left, and money, for a span of days.

    Customers are shown their own.
    """

    asks = DAYS
    shows = AccountStatement
    may_lag = True
    file_name = "account"
    tables_of = account_tables
    permission_classes = [StaffOrCustomer]

    def answer(self, asked: dict[str, Any], **path: Any) -> AccountStatement:
        looking = customer_looking(self.request)
        parties = Party.objects.exclude(kind=Party.Kind.HOUSE)
        if looking is not None:
            parties = parties.filter(pk=looking.pk)
        party, span = get_object_or_404(parties, code=path["party"]), span_asked(asked)
        note_read(self.request, party, AccessRecord.What.ACCOUNT, party.code, asked["as"])
        return account_statement(party, *span, is_theirs=looking is not None)


@dataclass(frozen=True)
class Lines:
    """The ledger's lines from one moment up to another."""

    starts_at: dt.datetime
    ends_at: dt.datetime
    recorded: dt.datetime | None

    def tables(self) -> list[Table]:
        span = (self.starts_at, self.ends_at)
        return [movements_table(*span, lambda: movement_rows(*span, self.recorded))]

    def rows(self) -> list[MovementRow]:
        """Refuses more than one answer can hold."""
        span = (self.starts_at, self.ends_at, self.recorded)
        count = entries_between(*span).order_by()[: JSON_LINES_MAX + 1].count()
        if count > JSON_LINES_MAX:
            raise refuse(
                "too_many_rows:accounts",
                field="to_date",
                value=count,
                json_lines_max=JSON_LINES_MAX,
            )
        return list(movement_rows(*span))


class MovementsReport(ReportView):
    """Every line of every movement of a span of days, in the order of the ledger."""

    asks = {**DAYS, "recorded_as_of": RECORDED_AS_OF}
    shows = {
        "starts_at": dt.datetime,
        "ends_at": dt.datetime,
        "rows": (tuple[MovementRow, ...], Lines.rows),
    }
    may_lag = True
    file_name = "movements"
    tables_of = Lines.tables
    tells_totals = False

    def answer(self, asked: dict[str, Any], **path: Any) -> Lines:
        return Lines(*span_asked(asked), asked.get("recorded_as_of"))
