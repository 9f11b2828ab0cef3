"""What was lost where, through the API, with the movements behind every figure."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

from django.db.models import QuerySet
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.generics import ListAPIView
from rest_framework.request import Request
from rest_framework.response import Response

from config.refusals import refuse
from lots import clock
from lots.api.fields import ShownMass, shown_code
from lots.api.questions import Question
from lots.metals import Metal
from lots.models import Entry, Movement
from reports.api.answers import ReportQuestion, ReportView
from reports.api.lots import asked_among
from reports.exports.losses import loss_tables
from reports.exports.tables import Table
from reports.models import MetalPrice
from reports.queries.month.losses import LossReport, LossRow, LossSum, loss_entries, losses
from reports.queries.month.periods import Period, local_day, month_period, parse_month


class MonthsQuestion(Question):
    """A span of months; the one that runs now if both are left out."""

    from_month = serializers.CharField(
        required=False, max_length=7, help_text="As in 2026-05; `to_month` if left out."
    )
    to_month = serializers.CharField(
        required=False, max_length=7, help_text="As in 2026-05; `from_month` if left out."
    )
    recorded_as_of = serializers.DateTimeField(
        required=False,
        help_text="As the books, as recorded by this moment, said: all of them if left out.",
    )


class LossFilters(MonthsQuestion):
    stage = serializers.ChoiceField(choices=Movement.Stage.choices, required=False)
    cause = serializers.CharField(required=False, max_length=24, allow_blank=True)
    account = serializers.CharField(required=False, max_length=24)
    metal = serializers.ChoiceField(choices=Metal.choices, required=False)


class LossQuestion(ReportQuestion, LossFilters):
    currency = serializers.RegexField(
        r"^[A-Z]{3}\Z",
        required=False,
        default="",
        help_text="Values the losses at the prices entered in this currency (ISO 4217).",
    )


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


@dataclass(frozen=True)
class Price:
    """A price of the works' own table that a value rests on."""

    metal: str
    price: Decimal
    per_unit: str
    currency: str
    from_date: dt.date
    source: str


@dataclass(frozen=True)
class Losses:
    """Losses of a span of months: line by line, by stage, and month beside month."""

    starts_at: dt.datetime
    ends_at: dt.datetime
    rows: tuple[LossRow, ...]
    by_stage: tuple[LossSum, ...]
    trend: tuple[LossSum, ...]
    currency: str
    prices: tuple[Price, ...]


class LossesReport(ReportView):
    """Losses by stage, cause, account and metal, beside the throughput of each stage.

    Positive is metal gone from the books, negative is metal found above them.
    """

    asks = LossQuestion
    shows = Losses
    may_lag = True
    file_name = "losses"

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

    def shown(self, answered: LossReport) -> Losses:
        return shown_losses(answered)

    def tables(self, answered: LossReport) -> list[Table]:
        return loss_tables(answered)


def narrowed(asked: dict[str, Any]) -> dict[str, str]:
    """Which of a loss's columns must equal what."""
    return {name: asked[name] for name in ("stage", "cause", "account", "metal") if name in asked}


def shown_losses(report: LossReport) -> Losses:
    """The report as the API shows it."""
    return Losses(
        starts_at=report.starts_at,
        ends_at=report.ends_at,
        rows=report.rows,
        by_stage=report.by_stage(),
        trend=report.trend(),
        currency=report.currency,
        prices=tuple(map(_price, report.prices.values())),
    )


def _price(row: MetalPrice) -> Price:
    return Price(row.metal, row.price, row.per_unit, row.currency, row.from_date, row.source)


class LossEntrySerializer(serializers.ModelSerializer[Entry]):
    """One entry on a loss or difference account, with the head of its movement."""

    movement = shown_code("sequence")
    kind = serializers.CharField(source="movement.kind", read_only=True)
    stage = serializers.CharField(source="movement.stage", read_only=True)
    cause = serializers.CharField(source="movement.cause", read_only=True)
    note = serializers.CharField(source="movement.note", read_only=True)
    account = shown_code()
    owner = shown_code()
    mass = ShownMass(source="mass_ug")

    class Meta:
        model = Entry
        fields = [
            "movement",
            "occurred_at",
            "kind",
            "stage",
            "cause",
            "account",
            "owner",
            "metal",
            "mass",
            "standard_uncertainty_ug",
            "note",
        ]
        read_only_fields = fields


class LossMovements(ListAPIView[Entry]):
    """The entries behind a loss figure, newest first: narrow them by the figure's columns.

    Positive is metal gone from the books, negative is metal found above them.
    """

    queryset = Entry.objects.none()  # tells of what, where there is no database to ask
    serializer_class = LossEntrySerializer
    search_fields = ["movement__note"]
    ordering_fields = ["occurred_at", "mass_ug"]
    ordering = ["-occurred_at", "-id"]
    extra_parameters = tuple(LossFilters().fields)

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
