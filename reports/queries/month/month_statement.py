"""The month's account of each metal: opening, what came and went, closing book, count, difference.

Every figure is a sum of ledger entries in micrograms; nothing is rounded before it is printed.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from django.db.models import Q, Sum

from lots.ledger import accounts
from lots.ledger.holdings import AsOf
from lots.ledger.snapshot import unmoving
from lots.metals import Metal
from lots.models import Account, BooksMonth, Entry, Place
from reports.conventions import percent_of
from reports.models import MonthEnd
from reports.queries.counts import CountFigure, count_figures
from reports.queries.inventory import Inventory, inventory
from reports.queries.month.periods import Period

_IN: Final = (accounts.RECEIVED, accounts.OPENING, accounts.SUPPLIES)
_OUT: Final = (accounts.SHIPPED, accounts.RETURNED)
_KIND_ORDER: Final = ("trade", "opening", "supplies", "loss", "difference")


@dataclass(frozen=True)
class StatementLine:
    """What one outside account did to the book in the month; positive adds to the book."""

    account: str
    name: str
    kind: str
    change_ug: int


@dataclass(frozen=True)
class MetalStatement:
    """One metal's month. `difference_ug` is book less physical, as counted."""

    metal: str
    opening_ug: int
    lines: tuple[StatementLine, ...]
    closing_ug: int
    is_counted: bool
    counted_book_ug: int
    counted_ug: int
    adjusted_ug: int

    @property
    def book_before_count_ug(self) -> int:
        """The closing book as it was before adjustments to the count."""
        return self.closing_ug + self.adjusted_ug

    @property
    def difference_ug(self) -> int:
        return self.counted_book_ug - self.counted_ug

    @property
    def physical_ug(self) -> int:
        """What is there: lots counted as counted, the others by the book."""
        return self.book_before_count_ug - self.difference_ug

    @property
    def unadjusted_ug(self) -> int:
        """The part of the difference that the book does not follow."""
        return self.difference_ug - self.adjusted_ug

    @property
    def throughput_ug(self) -> int:
        """The larger of what came in and what went out."""
        came = sum(line.change_ug for line in self.lines if line.account in _IN)
        went = -sum(line.change_ug for line in self.lines if line.account in _OUT)
        return max(came, went, 0)

    @property
    def difference_percent(self) -> Decimal | None:
        return percent_of(self.difference_ug, self.throughput_ug) if self.is_counted else None

    def change_ug(self, *kinds: str) -> int:
        """The sum of the lines of these account kinds."""
        return sum(line.change_ug for line in self.lines if line.kind in kinds)


@dataclass(frozen=True)
class AreaStatement:
    """One metal in one area: opening and closing book, and what the count there found."""

    metal: str
    area: str
    opening_ug: int
    closing_ug: int
    is_counted: bool
    counted_book_ug: int
    counted_ug: int
    adjusted_ug: int

    @property
    def area_name(self) -> str:
        return str(Place.Area(self.area).label)

    @property
    def change_ug(self) -> int:
        return self.closing_ug - self.opening_ug

    @property
    def difference_ug(self) -> int:
        return self.counted_book_ug - self.counted_ug


@dataclass(frozen=True)
class MonthStatement:
    """All metals and areas of one month, and the state its books were in when it was asked for.

    `approval` says where one person did what otherwise takes two.
    """

    period: Period
    recorded: dt.datetime | None
    state: str
    statement_digest: str
    approval: tuple[str, ...]
    metals: tuple[MetalStatement, ...]
    areas: tuple[AreaStatement, ...]
    counts: tuple[CountFigure, ...]
    opening: Inventory
    closing: Inventory


@unmoving
def month_statement(period: Period, recorded: dt.datetime | None = None) -> MonthStatement:
    """The statement of a month, by the books as recorded by `recorded` (None: all of them).

    Counts are shown as they stand; they are not on the ledger until an adjustment is posted.
    """
    month = (
        BooksMonth.objects.filter(first_day=period.first_day).select_related("month_end").first()
    )
    month_end = getattr(month, "month_end", None)
    opening = inventory(period.opening(recorded))
    closing = inventory(period.closing(recorded))
    counts = count_figures(period.first_day) if month_end is not None else ()
    return MonthStatement(
        period=period,
        recorded=recorded,
        state=month_end.state if month_end is not None else BooksMonth.State.OPEN,
        statement_digest=month_end.statement_digest if month_end is not None else "",
        approval=_approval(month_end, counts),
        metals=_metals(period, recorded, counts),
        areas=_areas(opening, closing, counts),
        counts=counts,
        opening=opening,
        closing=closing,
    )


def _approval(month_end: MonthEnd | None, counts: Sequence[CountFigure]) -> tuple[str, ...]:
    words = [month_end.one_person] if month_end is not None else []
    lots = dict.fromkeys(each.lot for each in counts if each.one_person)
    if lots:
        said = next(each.one_person for each in counts if each.one_person)
        words.append(f"Count adjustment of {', '.join(lots)}: {said}")
    return tuple(filter(None, words))


def _metals(
    period: Period, recorded: dt.datetime | None, counts: Sequence[CountFigure]
) -> tuple[MetalStatement, ...]:
    books = _books(period, recorded)
    flows = _flows(period, recorded)
    accounts = sorted(
        Account.objects.all(), key=lambda each: (_KIND_ORDER.index(each.kind), each.pk)
    )
    counted = _counted(counts)
    statements = []
    for metal in Metal.values:
        if metal not in books and not any(key[0] == metal for key in flows):
            continue
        opening_ug, closing_ug = books.get(metal, (0, 0))
        book_ug, counted_ug, adjusted_ug = counted.get((metal, None), (0, 0, 0))
        lines = tuple(
            StatementLine(each.code, each.name, each.kind, -flows.get((metal, each.code), 0))
            for each in accounts
        )
        statement = MetalStatement(
            metal=metal,
            opening_ug=opening_ug,
            lines=lines,
            closing_ug=closing_ug,
            is_counted=(metal, None) in counted,
            counted_book_ug=book_ug,
            counted_ug=counted_ug,
            adjusted_ug=adjusted_ug,
        )
        assert opening_ug + sum(line.change_ug for line in lines) == closing_ug
        statements.append(statement)
    return tuple(statements)


def _books(period: Period, recorded: dt.datetime | None) -> dict[str, tuple[int, int]]:
    """Opening and closing book of every metal: what all lots together held then."""
    rows = (
        Entry.objects.filter(period.closing(recorded).limit(), lot__isnull=False)
        .order_by()
        .values_list("metal")
        .annotate(
            before=Sum("mass_ug", filter=Q(occurred_at__lt=period.starts_at)),
            total=Sum("mass_ug"),
        )
    )
    return {metal: (before or 0, total) for metal, before, total in rows}


def _flows(period: Period, recorded: dt.datetime | None) -> dict[tuple[str, str], int]:
    """What each outside account took in the month (negative: gave), by metal."""
    rows = (
        Entry.objects.filter(
            AsOf(recorded=recorded).limit(),
            account__isnull=False,
            occurred_at__gte=period.starts_at,
            occurred_at__lt=period.ends_at,
        )
        .order_by()
        .values_list("metal", "account__code")
        .annotate(total=Sum("mass_ug"))
    )
    return {(metal, code): total for metal, code, total in rows}


def _counted(
    counts: Sequence[CountFigure],
) -> dict[tuple[str, str | None], tuple[int, int, int]]:
    """Book, count and adjusted difference per metal (area None) and per metal and area."""
    sums: dict[tuple[str, str | None], list[int]] = defaultdict(lambda: [0, 0, 0])
    for each in counts:
        for area in (None, each.area):
            total = sums[each.metal, area]
            total[0] += each.book_ug
            total[1] += each.counted_ug
            total[2] += each.adjusted_ug
    return {key: (book, counted, adjusted) for key, (book, counted, adjusted) in sums.items()}


def _areas(
    opening: Inventory, closing: Inventory, counts: Sequence[CountFigure]
) -> tuple[AreaStatement, ...]:
    before, after = _by_area(opening), _by_area(closing)
    counted = _counted(counts)
    statements = []
    for metal in Metal.values:
        for area in Place.Area.values:
            key = (metal, area)
            if key not in before and key not in after and key not in counted:
                continue
            statements.append(
                AreaStatement(
                    metal,
                    area,
                    before.get(key, 0),
                    after.get(key, 0),
                    key in counted,
                    *counted.get(key, (0, 0, 0)),
                )
            )
    return tuple(statements)


def _by_area(held: Inventory) -> dict[tuple[str, str], int]:
    sums: dict[tuple[str, str], int] = defaultdict(int)
    for row in held.rows:
        sums[row.metal, row.area] += row.mass_ug
    return dict(sums)
