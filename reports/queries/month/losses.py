"""What was lost where: loss and difference accounts by month, stage and cause, with throughput.

Positive is metal gone from the books, negative is metal found above them.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from django.db.models import Case, Count, DateField, F, Q, QuerySet, Sum, Value, When
from django.db.models.functions import Cast, TruncMonth

from lots.ledger.snapshot import unmoving
from lots.metals import Metal
from lots.models import Account, Entry, Movement
from lots.queries.works_zone import next_month, works_midnight, works_zone
from reports.conventions import percent_of, value_of
from reports.models import MetalPrice
from reports.queries.month.periods import INSTANT, local_day, month_periods

_KIND: Final = Movement.Kind
_STAGE: Final = Movement.Stage
# Movements that bring metal into the stage they belong to, by the lots they fill.
BRINGS_IN: Final = (
    _KIND.RECEIPT,
    _KIND.MELT,
    _KIND.BATCH_INPUT,
    _KIND.CHARGE,
    _KIND.ELECTROLYTE,
    _KIND.TOP_UP,
    _KIND.RINSE,
)
# Movements that are throughput of their stage by what leaves through the door.
TAKES_OUT: Final = (_KIND.SHIPMENT, _KIND.RETURN)
_LOSS_KINDS: Final = (Account.Kind.LOSS, Account.Kind.DIFFERENCE)
_METALS: Final = tuple(Metal.values)
_STAGES: Final = tuple(_STAGE.values)


@dataclass(frozen=True)
class LossRow:
    """One account, cause and metal at one stage in one month; masses in micrograms.

    `is_measured` tells a weighed or known loss, written off, from a difference nobody measured.
    """

    month: dt.date
    stage: str
    account: str
    account_name: str
    is_measured: bool
    cause: str
    metal: str
    movements: int
    mass_ug: int
    throughput_ug: int
    value: Decimal | None

    @property
    def stage_name(self) -> str:
        return str(_STAGE(self.stage).label)

    @property
    def percent(self) -> Decimal | None:
        return percent_of(self.mass_ug, self.throughput_ug)


@dataclass(frozen=True)
class LossSum:
    """Losses of one metal over all accounts and causes of a stage, a month or both."""

    month: dt.date | None
    stage: str
    metal: str
    measured_ug: int
    unmeasured_ug: int
    throughput_ug: int
    value: Decimal | None

    @property
    def stage_name(self) -> str:
        return str(_STAGE(self.stage).label) if self.stage else ""

    @property
    def mass_ug(self) -> int:
        return self.measured_ug + self.unmeasured_ug

    @property
    def percent(self) -> Decimal | None:
        return percent_of(self.mass_ug, self.throughput_ug)


@dataclass(frozen=True)
class LossReport:
    """Losses of a span of time, with what they are worth in `currency` where a price is known."""

    starts_at: dt.datetime
    ends_at: dt.datetime
    rows: tuple[LossRow, ...]
    throughput: Mapping[tuple[dt.date, str, str], int]
    currency: str
    prices: Mapping[str, MetalPrice]

    def by_stage(self) -> tuple[LossSum, ...]:
        """Per stage and metal over the whole span."""
        return self._sums(lambda row: (None, row.stage))

    def trend(self) -> tuple[LossSum, ...]:
        """Per month, stage and metal: the months side by side."""
        return self._sums(lambda row: (row.month, row.stage))

    def _sums(self, key_of: Callable[[LossRow], tuple[dt.date | None, str]]) -> tuple[LossSum, ...]:
        grouped: dict[tuple[dt.date | None, str, str], list[LossRow]] = defaultdict(list)
        for row in self.rows:
            grouped[*key_of(row), row.metal].append(row)
        sums = []
        for (month, stage, metal), rows in grouped.items():
            values = [row.value for row in rows if row.value is not None]
            sums.append(
                LossSum(
                    month=month,
                    stage=stage,
                    metal=metal,
                    measured_ug=sum(row.mass_ug for row in rows if row.is_measured),
                    unmeasured_ug=sum(row.mass_ug for row in rows if not row.is_measured),
                    throughput_ug=sum(
                        mass_ug
                        for (in_month, in_stage, of), mass_ug in self.throughput.items()
                        if of == metal and in_stage == stage and month in (None, in_month)
                    ),
                    value=sum(values, Decimal(0)) if values else None,
                )
            )
        return tuple(sums)


@unmoving
def losses(
    starts_at: dt.datetime,
    ends_at: dt.datetime,
    *,
    currency: str = "",
    recorded: dt.datetime | None = None,
) -> LossReport:
    """Losses that occurred from `starts_at` up to, not including, `ends_at`.

    Valued at the prices in force on the span's last day when `currency` is given.
    """
    last_day = local_day(ends_at - INSTANT)
    prices = prices_on(last_day, currency) if currency else {}
    month_of = _month_of(starts_at, last_day)
    throughput = _throughput(starts_at, ends_at, recorded, month_of)
    rows = [
        LossRow(
            month=month,
            stage=stage,
            account=account,
            account_name=name,
            is_measured=kind == Account.Kind.LOSS,
            cause=cause,
            metal=metal,
            movements=movements,
            mass_ug=total,
            throughput_ug=throughput.get((month, stage, metal), 0),
            value=value_of(total, prices[metal].per_unit, prices[metal].price)
            if metal in prices
            else None,
        )
        for month, stage, account, name, kind, cause, metal, total, movements in loss_entries(
            starts_at, ends_at, recorded=recorded
        )
        .order_by()
        .annotate(month=month_of)
        .values_list(
            "month",
            "movement__stage",
            "account__code",
            "account__name",
            "account__kind",
            "movement__cause",
            "metal",
        )
        .annotate(total=Sum("mass_ug"), movements=Count("movement", distinct=True))
    ]
    rows.sort(
        key=lambda row: (
            row.month,
            _STAGES.index(row.stage),
            _METALS.index(row.metal),
            row.account,
            row.cause,
        )
    )
    return LossReport(starts_at, ends_at, tuple(rows), throughput, currency, prices)


def loss_entries(
    starts_at: dt.datetime,
    ends_at: dt.datetime,
    *,
    recorded: dt.datetime | None = None,
    **narrowed: str,
) -> QuerySet[Entry]:
    """The entries behind a loss figure, newest first.

    `narrowed` may name stage, cause, account (its code) and metal: the columns of a `LossRow`.
    """
    columns = {
        "stage": "movement__stage",
        "cause": "movement__cause",
        "account": "account__code",
        "metal": "metal",
    }
    entries = Entry.objects.filter(
        account__kind__in=_LOSS_KINDS, occurred_at__gte=starts_at, occurred_at__lt=ends_at
    )
    if recorded is not None:
        entries = entries.filter(recorded_at__lte=recorded)
    return (
        entries.filter(**{columns[name]: value for name, value in narrowed.items()})
        .select_related("movement", "account", "owner")
        .order_by("-occurred_at", "-id")
    )


def prices_on(day: dt.date, currency: str) -> dict[str, MetalPrice]:
    """The price of each metal in force on that day in that currency, in one query."""
    rows = MetalPrice.objects.filter(currency=currency, from_date__lte=day).order_by("from_date")
    return {row.metal: row for row in rows}


def _throughput(
    starts_at: dt.datetime,
    ends_at: dt.datetime,
    recorded: dt.datetime | None,
    month_of: Case,
) -> dict[tuple[dt.date, str, str], int]:
    """Metal brought into each stage by month, stage and metal; reversals take theirs back.

    The store's is what came in at the door.
    """
    entries = Entry.objects.filter(occurred_at__gte=starts_at, occurred_at__lt=ends_at)
    if recorded is not None:
        entries = entries.filter(recorded_at__lte=recorded)
    meant = Case(
        When(movement__reverses__isnull=False, then=F("movement__reverses__kind")),
        default=F("movement__kind"),
    )
    filled = Q(lot__isnull=False, movement__reverses__isnull=True, mass_ug__gt=0) | Q(
        lot__isnull=False, movement__reverses__isnull=False, mass_ug__lt=0
    )
    rows = (
        entries.annotate(meant=meant, month=month_of)
        .filter(
            Q(filled, meant__in=BRINGS_IN)
            | Q(account__kind=Account.Kind.TRADE, meant__in=TAKES_OUT)
        )
        .order_by()
        .values_list("month", "movement__stage", "meant", "metal")
        .annotate(total=Sum("mass_ug"))
    )
    sums: dict[tuple[dt.date, str, str], int] = defaultdict(int)
    for month, stage, kind, metal, total in rows:
        sums[month, stage, metal] += total
        if kind == _KIND.RECEIPT:
            sums[month, _STAGE.STORE, metal] += total
    return dict(sums)


def _month_of(starts_at: dt.datetime, last_day: dt.date) -> Case:
    """The first day of the month an entry belongs to.

    The calendar's, except in a month whose stored bounds are not the midnights of the works.
    """
    days = [local_day(starts_at).replace(day=1)]
    while next_month(days[-1]) <= last_day:
        days.append(next_month(days[-1]))
    odd = [
        When(
            occurred_at__gte=period.starts_at,
            occurred_at__lt=period.ends_at,
            then=Value(period.first_day, output_field=DateField()),
        )
        for period in month_periods(days)
        if (period.starts_at, period.ends_at)
        != (works_midnight(period.first_day), works_midnight(next_month(period.first_day)))
    ]
    calendar = TruncMonth("occurred_at", tzinfo=works_zone())
    return Case(*odd, default=Cast(calendar, DateField()))
