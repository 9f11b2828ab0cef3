"""What was lost where, through the API, with the movements behind every figure."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from decimal import Decimal
from typing import Any, Final

from django.db.models import QuerySet
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.generics import ListAPIView
from rest_framework.request import Request
from rest_framework.response import Response

from config.refusals import refuse
from lots import clock
from lots.api.listed import shows
from lots.api.questions import RECORDED_AS_OF, choice_of, question_of
from lots.api.records import Shown
from lots.metals import Metal
from lots.models import Entry, Movement
from reports.api.answers import CURRENCY, ReportView
from reports.api.lots import asked_among
from reports.exports.losses import loss_tables
from reports.queries.month.losses import LossReport, LossRow, LossSum, loss_entries, losses
from reports.queries.month.periods import Period, local_day, month_period, parse_month

# A span of months, the one that runs now if both are left out, and the columns of a loss.
LOSSES: Final = {
    "from_month": serializers.CharField(
        required=False, max_length=7, help_text="As in 2026-05; `to_month` if left out."
    ),
    "to_month": serializers.CharField(
        required=False, max_length=7, help_text="As in 2026-05; `from_month` if left out."
    ),
    "recorded_as_of": RECORDED_AS_OF,
    "stage": choice_of(Movement.Stage),
    "cause": serializers.CharField(required=False, max_length=24, allow_blank=True),
    "account": serializers.CharField(required=False, max_length=24),
    "metal": choice_of(Metal),
}
LossFilters: Final = question_of(LOSSES)


def months_asked(asked: dict[str, Any]) -> tuple[Period, Period]:
    """The first and the last month. Raises InvalidError `not_a_month`, `range_reversed`."""
    first, last = asked.get("from_month"), asked.get("to_month")
    if first is None and last is None:
        now = month_period(local_day(clock.now()))
        return now, now
    begins = parse_month(first or last, field="from_month" if first else "to_month")
    ends = parse_month(last or first, field="to_month" if last else "from_month")
    if ends.first_day < begins.first_day:
        raise refuse("range_reversed:losses", field="to_month", value=last)
    return begins, ends


_PRICE: Final = Shown(
    "A price of the works' own table that a value rests on.",
    {
        "metal": str,
        "price": Decimal,
        "per_unit": str,
        "currency": str,
        "from_date": dt.date,
        "source": str,
    },
)
LOSSES_SHOWN: Final = Shown(
    "Losses of a span of months: line by line, by stage, and month beside month.",
    {
        "starts_at": dt.datetime,
        "ends_at": dt.datetime,
        "rows": tuple[LossRow, ...],
        "by_stage": (tuple[LossSum, ...], LossReport.by_stage),
        "trend": (tuple[LossSum, ...], LossReport.trend),
        "currency": str,
        "prices": ([_PRICE], lambda report: report.prices.values()),
    },
)


class LossesReport(ReportView):
    """Losses by stage, cause, account and metal, beside the throughput of each stage.

    Positive is metal gone from the books, negative is metal found above them.
    """

    asks = {**LOSSES, "currency": CURRENCY}
    shows = LOSSES_SHOWN
    may_lag = True
    file_name = "losses"
    tables_of = loss_tables

    def answer(self, asked: dict[str, Any], **path: Any) -> LossReport:
        first, last = months_asked(asked)
        report = losses(
            first.starts_at,
            last.ends_at,
            currency=asked["currency"],
            recorded=asked.get("recorded_as_of"),
        )
        wanted = narrowed(asked)
        rows = [
            row
            for row in report.rows
            if all(getattr(row, name) == value for name, value in wanted.items())
        ]
        return replace(report, rows=tuple(rows))


def narrowed(asked: dict[str, Any]) -> dict[str, str]:
    """Which of a loss's columns must equal what."""
    return {name: asked[name] for name in ("stage", "cause", "account", "metal") if name in asked}


LossEntrySerializer: Final = shows(
    "LossEntry",
    Entry,
    "movement occurred_at kind stage cause account owner metal mass standard_uncertainty_ug note",
    "One entry on a loss or difference account, with the head of its movement.",
    **{name: f"movement.{name}" for name in ("kind", "stage", "cause", "note")},
)


class LossMovements(ListAPIView[Entry]):
    """The entries behind a loss figure, newest first: narrow them by the figure's columns.

    Positive is metal gone from the books, negative is metal found above them.
    """

    queryset = Entry.objects.none()  # tells of what, where there is no database to ask
    serializer_class = LossEntrySerializer
    search_fields = ["movement__note"]
    ordering_fields = ["occurred_at", "mass_ug"]
    ordering = ["-occurred_at", "-id"]
    extra_parameters = tuple(LOSSES)

    def get_queryset(self) -> QuerySet[Entry]:
        asked = asked_among(self.request, LossFilters)
        first, last = months_asked(asked)
        return loss_entries(
            first.starts_at,
            last.ends_at,
            recorded=asked.get("recorded_as_of"),
            **narrowed(asked),
        )

    @extend_schema(parameters=[LossFilters], summary="The entries behind a loss figure.")
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.list(request, *args, **kwargs)
