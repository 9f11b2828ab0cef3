"""What a month's digest is made of, row by row: a signed month must verify for good."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

from lots.ledger.digests import CLAIM_COLUMNS, ENTRY_COLUMNS, MATERIAL_COLUMNS, STANDING_COLUMNS
from lots.models import ClaimEntry, Entry, LotStanding, MaterialEntry, Movement
from reports.models import CountedMetal
from reports.queries.month.periods import month_period
from reports.queries.month.statement_digest import statement_digest
from reports.services.counts import Found, enter_count, open_count_sheet, recount_lot
from reports.services.month_end import begin_month_end
from tests.builders import month_2026
from tests.reports.conftest import APRIL, held_ug

MAY = month_2026(5)
LINES: tuple[tuple[Any, tuple[str, ...]], ...] = (
    (Entry, ENTRY_COLUMNS),
    (ClaimEntry, CLAIM_COLUMNS),
    (MaterialEntry, MATERIAL_COLUMNS),
    (LotStanding, STANDING_COLUMNS),
)


def test_digest_covers_opening_movements_their_lines_and_standing_counts_in_order(
    in_june: SimpleNamespace, at: Callable[..., Any]
) -> None:
    for month in (MAY, month_period(APRIL)):
        month_end = begin_month_end(first_day=month.first_day, act=at(6, 1))
        place = in_june.works.places["fine-safe"]
        sheet = open_count_sheet(month_end=month_end, place=place, act=at(6, 1))
        for count, found in (
            (enter_count, Found(missing=True)),
            (recount_lot, Found(sighted=True)),
        ):
            count(sheet=sheet, lot=in_june.bar, found=found, act=at(6, 1))
    rows: list[list[Any]] = [["month", "2026-05"]]
    rows += [[metal, held_ug(metal, MAY.starts_at)] for metal in ("Ag", "Au", "Cu")]
    moved = [
        each
        for each in Movement.objects.order_by("sequence")
        if MAY.starts_at <= each.occurred_at < MAY.ends_at
    ]
    assert len(moved) == 2
    rows += [[each.sequence, each.digest] for each in moved]
    for model, columns in LINES:
        for each in moved:
            lines = sorted(model.objects.filter(movement=each), key=lambda line: line.pk)
            rows += [[each.sequence, *(getattr(line, of) for of in columns)] for line in lines]
    rows += [
        [each.line_id, each.line.lot_id, each.metal, each.book_ug, each.counted_ug]
        for each in sorted(CountedMetal.objects.all(), key=lambda each: each.pk)
        if each.line.sheet.month_end.books_month.first_day == MAY.first_day
        and each.line.method == "sighted"
    ]
    text = "".join(json.dumps(row, separators=(",", ":")) + "\n" for row in rows)
    assert statement_digest(MAY) == hashlib.sha256(text.encode()).hexdigest()
