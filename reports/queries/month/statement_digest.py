"""One digest over all that a month's statement rests on, so that a later change is evident."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from typing import Any, Final

from django.db.models import F, Sum

from lots.ledger.digests import CLAIM_COLUMNS, ENTRY_COLUMNS, MATERIAL_COLUMNS, STANDING_COLUMNS
from lots.models import ClaimEntry, Entry, LotStanding, MaterialEntry, Movement
from reports.models import CountedMetal, MonthEnd
from reports.queries.month.periods import Period, period_of

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
    digest = hashlib.sha256()
    _add(digest, [["month", str(period)]])
    _add(digest, _opening(period))
    inside = {"occurred_at__gte": period.starts_at, "occurred_at__lt": period.ends_at}
    _add(
        digest,
        Movement.objects.filter(**inside)
        .order_by("sequence")
        .values_list("sequence", "digest")
        .iterator(_CHUNK),
    )
    for model, columns in _LINES:
        rows = model._default_manager.filter(**inside).annotate(of=F("movement__sequence"))
        _add(
            digest,
            rows.order_by("of", "id").values_list("of", *columns).iterator(_CHUNK),
        )
    _add(digest, _counts(period))
    return digest.hexdigest()


def is_as_signed(month_end: MonthEnd) -> bool:
    """Whether the books of an approved or closed month still give the digest that was signed."""
    period = period_of(month_end.books_month)
    return month_end.statement_digest == statement_digest(period)


def _opening(period: Period) -> Iterable[Any]:
    rows = (
        Entry.objects.filter(period.opening().limit(), lot__isnull=False)
        .order_by("metal")
        .values_list("metal")
        .annotate(total=Sum("mass_ug"))
    )
    return [row for row in rows if row[1]]


def _counts(period: Period) -> Iterable[Any]:
    return (
        CountedMetal.objects.filter(
            line__sheet__month_end__books_month__first_day=period.first_day,
            line__recounted_by__isnull=True,
        )
        .order_by("line_id", "id")
        .values_list("line_id", "line__lot_id", "metal", "book_ug", "counted_ug")
    )


def _add(digest: Any, rows: Iterable[Iterable[Any]]) -> None:
    for row in rows:
        digest.update(json.dumps(list(row), separators=(",", ":")).encode())
        digest.update(b"\n")
