"""What was counted in a month: the lines that stand, their differences and what became of them."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from django.db.models import Prefetch, QuerySet

from lots.metals import Metal
from lots.models import BooksMonth
from reports.models import CountAdjustment, CountedMetal, CountLine, CountSheet


@dataclass(frozen=True)
class CountFigure:
    """One metal of one counted lot, micrograms: book, count, and book less physical."""

    sheet: str
    place: str
    area: str
    lot: str
    method: str
    metal: str
    book_ug: int
    counted_ug: int
    difference_ug: int
    standard_uncertainty_ug: int | None
    adjusted_ug: int
    adjustment: str
    cause: str
    counted_by: str
    line_id: int
    one_person: str = ""


def standing_lines(sheets: QuerySet[CountSheet]) -> QuerySet[CountLine]:
    """The lines no recount has superseded."""
    return CountLine.objects.filter(sheet__in=sheets, recounted_by__isnull=True)


def count_figures(first_day: dt.date) -> tuple[CountFigure, ...]:
    """Every counted metal of the month that begins on `first_day`, in two queries."""
    adjustments = Prefetch(
        "line__adjustments",
        queryset=CountAdjustment.objects.exclude(state=CountAdjustment.State.DECLINED)
        .select_related("movement__reversed_by")
        .order_by("id"),
    )
    counted = (
        CountedMetal.objects.filter(
            line__sheet__month_end__books_month__first_day=first_day,
            line__recounted_by__isnull=True,
        )
        .select_related(
            "line__sheet__place",
            "line__sheet__month_end__books_month",
            "line__lot",
            "line__counted_by",
        )
        .prefetch_related(adjustments)
    )
    order = list(Metal.values)
    figures = [_figure(each) for each in counted]
    figures.sort(key=lambda each: (each.sheet, each.lot, order.index(each.metal)))
    return tuple(figures)


def differences_by(figures: Sequence[CountFigure], name: str) -> dict[tuple[str, str], int]:
    """Differences (book less physical) summed per metal and the figures' column `name`."""
    sums: dict[tuple[str, str], int] = defaultdict(int)
    for each in figures:
        sums[each.metal, getattr(each, name)] += each.difference_ug
    return dict(sums)


def uncounted_lines(month: BooksMonth) -> QuerySet[CountLine]:
    """Lines of the month's sheets that nobody has counted yet."""
    sheets = CountSheet.objects.filter(month_end__books_month=month)
    return standing_lines(sheets).filter(method=CountLine.Method.NOT_YET)


def _figure(counted: CountedMetal) -> CountFigure:
    line = counted.line
    latest = next(reversed(line.adjustments.all()), None)
    posted = latest is not None and _counts_in(latest, line.sheet.month_end.books_month)
    return CountFigure(
        sheet=line.sheet.code,
        place=line.sheet.place.name,
        area=line.sheet.place.area,
        lot=line.lot.code,
        method=line.get_method_display(),
        metal=counted.metal,
        book_ug=counted.book_ug,
        counted_ug=counted.counted_ug,
        difference_ug=counted.difference_ug,
        standard_uncertainty_ug=counted.standard_uncertainty_ug,
        adjusted_ug=counted.difference_ug if posted else 0,
        adjustment=latest.state if latest is not None else "",
        cause=latest.get_cause_display() if latest is not None else "",
        counted_by=str(line.counted_by),
        line_id=line.pk,
        one_person=latest.one_person if latest is not None else "",
    )


def _counts_in(adjustment: CountAdjustment, month: BooksMonth) -> bool:
    """Whether the month's closing book follows it; one reversed in a later month still counts."""
    if adjustment.state == CountAdjustment.State.POSTED:
        return True
    reversal = getattr(adjustment.movement, "reversed_by", None)
    return reversal is not None and reversal.occurred_at >= month.ends_at
