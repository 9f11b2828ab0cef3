"""A customer's statement of account, and the ledger's lines, for a span of days."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any, Final

from django.shortcuts import get_object_or_404
from rest_framework import serializers
from rest_framework.response import Response

from config.refusals import refuse
from lots.api.questions import Question
from lots.api.records import show
from lots.models import Party
from lots.people.permissions import StaffOrCustomer, customer_looking
from reports.api.answers import ReportQuestion, ReportView, csv_file, note_read, workbook_file
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


class DaysQuestion(Question):
    """A span of days on the works' calendar, both included."""

    from_date = serializers.DateField()
    to_date = serializers.DateField()


class AccountQuestion(ReportQuestion, DaysQuestion):
    pass


class MovementsQuestion(ReportQuestion, DaysQuestion):
    recorded_as_of = serializers.DateTimeField(
        required=False,
        help_text="As the books, as recorded by this moment, said: all of them if left out.",
    )


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

    asks = AccountQuestion
    shows = AccountStatement
    may_lag = True
    file_name = "account"
    permission_classes = [StaffOrCustomer]

    def answer(self, asked: dict[str, Any], **path: Any) -> AccountStatement:
        looking = customer_looking(self.request)
        parties = Party.objects.exclude(kind=Party.Kind.HOUSE)
        if looking is not None:
            parties = parties.filter(pk=looking.pk)
        party, span = get_object_or_404(parties, code=path["party"]), span_asked(asked)
        note_read(self.request, party, AccessRecord.What.ACCOUNT, party.code, asked["as"])
        return account_statement(party, *span, is_theirs=looking is not None)

    def tables(self, answered: AccountStatement) -> list[Table]:
        return account_tables(answered)


@dataclass(frozen=True)
class Lines:
    """The ledger's lines from one moment up to another."""

    starts_at: dt.datetime
    ends_at: dt.datetime
    recorded: dt.datetime | None

    def table(self) -> Table:
        span = (self.starts_at, self.ends_at)
        return movements_table(*span, lambda: movement_rows(*span, self.recorded))


class MovementsReport(ReportView):
    """Every line of every movement of a span of days, in the order of the ledger."""

    asks = MovementsQuestion
    shows = {
        "starts_at": dt.datetime,
        "ends_at": dt.datetime,
        "rows": tuple[MovementRow, ...],
    }
    may_lag = True
    file_name = "movements"

    def answer(self, asked: dict[str, Any], **path: Any) -> Lines:
        return Lines(*span_asked(asked), asked.get("recorded_as_of"))

    def compose(self, asked: dict[str, Any], **path: Any) -> Any:
        lines = self.answer(asked)
        table = lines.table()
        if asked["as"] == "csv":
            return csv_file(table, self.file_name)
        if asked["as"] == "xlsx":
            return workbook_file([table], self.file_name)
        _check_few(lines)
        rows = list(movement_rows(lines.starts_at, lines.ends_at, lines.recorded))
        return Response(
            {
                "starts_at": show(lines.starts_at),
                "ends_at": show(lines.ends_at),
                "rows": show(rows),
                "totals": {},
                "notes": list(table.notes),
            }
        )


def _check_few(lines: Lines) -> None:
    entries = entries_between(lines.starts_at, lines.ends_at, lines.recorded)
    count = entries.order_by()[: JSON_LINES_MAX + 1].count()
    if count > JSON_LINES_MAX:
        raise refuse(
            "too_many_rows:accounts", field="to_date", value=count, json_lines_max=JSON_LINES_MAX
        )
