"""One digest over all that a month's statement rests on, so that a later change is evident."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from typing import Any, Final

from django.db.models import Case, F, IntegerField, QuerySet, Sum, Value, When

from lots.ledger.digests import CLAIM_COLUMNS, ENTRY_COLUMNS, MATERIAL_COLUMNS, STANDING_COLUMNS
from lots.metals import Metal
from lots.models import ClaimEntry, Entry, LotStanding, MaterialEntry, Movement
from reports.models import CountedMetal, MonthEnd
from reports.queries.month.periods import Period, month_period

_LINES: Final = (
    (Entry, ENTRY_COLUMNS),
    (ClaimEntry, CLAIM_COLUMNS),
    (MaterialEntry, MATERIAL_COLUMNS),
    (LotStanding, STANDING_COLUMNS),
)
_CHUNK: Final = 2000


def statement_digest(period: Period) -> str:
    """SHA-256 (hex) over the opening book, every movement and line of the month, and its counts.

    One JSON array a row, in the order of the ledger; a row added, changed or taken away, by
    whatever way, gives another digest.
    """
    return statement_digests([period])[0]


def statement_digests(periods: Sequence[Period]) -> list[str]:
    """The same of several months, oldest first: the books are read once for all of them."""
    if not periods:
        return []
    digests = [hashlib.sha256() for _ in periods]
    for digest, period, opening in zip(digests, periods, _openings(periods), strict=True):
        _add(digest, ["month", str(period)])
        for row in sorted(opening.items()):
            _add(digest, row)
    inside = {
        "occurred_at__gte": min(period.starts_at for period in periods),
        "occurred_at__lt": max(period.ends_at for period in periods),
    }
    movements = Movement.objects.filter(**inside).order_by("sequence")
    _add_each(digests, periods, movements.values_list("occurred_at", "sequence", "digest"))
    for model, columns in _LINES:
        rows = model._default_manager.filter(**inside).annotate(of=F("movement__sequence"))
        lines = rows.order_by("of", "id").values_list("occurred_at", "of", *columns)
        _add_each(digests, periods, lines)
    by_day = {period.first_day: digest for digest, period in zip(digests, periods, strict=True)}
    for first_day, *row in _counts(by_day):
        _add(by_day[first_day], row)
    return [digest.hexdigest() for digest in digests]


def is_as_signed(month_end: MonthEnd) -> bool:
    """Whether the books of an approved or closed month still give the digest that was signed.

    Between the bounds that every report of the month has, so that these figures are those.
    """
    period = month_period(month_end.books_month.first_day)
    return month_end.statement_digest == statement_digest(period)


def _openings(periods: Sequence[Period]) -> list[dict[str, int]]:
    """What all lots together held of each metal just before each month, but for nothings."""
    first_after = Case(
        *(When(occurred_at__lt=each.starts_at, then=Value(at)) for at, each in enumerate(periods)),
        output_field=IntegerField(),
    )
    sums: dict[tuple[int, str], int] = {
        (at, metal): total
        for at, metal, total in Entry.objects.filter(
            occurred_at__lt=periods[-1].starts_at, lot__isnull=False
        )
        .order_by()
        .annotate(at=first_after)
        .values_list("at", "metal")
        .annotate(total=Sum("mass_ug"))
    }
    held: dict[str, int] = {}
    openings = []
    for at in range(len(periods)):
        held = {
            metal: total
            for metal in Metal.values
            if (total := held.get(metal, 0) + sums.get((at, metal), 0))
        }
        openings.append(held)
    return openings


def _counts(first_days: Iterable[dt.date]) -> Iterable[Any]:
    return (
        CountedMetal.objects.filter(
            line__sheet__month_end__books_month__first_day__in=list(first_days),
            line__recounted_by__isnull=True,
        )
        .order_by("line_id", "id")
        .values_list(
            "line__sheet__month_end__books_month__first_day",
            "line_id",
            "line__lot_id",
            "metal",
            "book_ug",
            "counted_ug",
        )
    )


def _add_each(digests: Sequence[Any], periods: Sequence[Period], rows: QuerySet[Any]) -> None:
    """Adds each row, whose moment comes first, to its month; to both where two should overlap."""
    starts = [period.starts_at for period in periods]
    for moment, *row in rows.iterator(_CHUNK):
        begun = bisect_right(starts, moment)
        for at in range(max(begun - 2, 0), begun):
            if moment < periods[at].ends_at:
                _add(digests[at], row)


def _add(digest: Any, row: Iterable[Any]) -> None:
    digest.update(json.dumps(list(row), separators=(",", ":")).encode() + b"\n")
