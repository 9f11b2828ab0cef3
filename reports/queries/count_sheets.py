"""Which lots belong on a place's count sheet, and which sheets of a month still wait."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict

from django.db.models import OuterRef, QuerySet, Subquery

from lots.ledger.holdings import AsOf, holdings
from lots.models import BooksMonth, Lot, LotStanding, Place
from reports.models import CountAdjustment, CountLine, CountSheet


def lots_standing_at(place: Place, as_of: AsOf) -> list[Lot]:
    """Lots that stood at the place at that moment and held something, by code, in three queries."""
    latest = (
        LotStanding.objects.filter(as_of.limit(), lot=OuterRef("pk"))
        .order_by("-occurred_at", "-id")
        .values("place_id")[:1]
    )
    lots = list(
        Lot.objects.annotate(stood=Subquery(latest)).filter(stood=place.pk).order_by("code")
    )
    held = holdings(lots, as_of)
    return [lot for lot in lots if not held[lot.pk].is_empty]


def blind_lines(sheet: CountSheet) -> QuerySet[CountLine]:
    """The lines of a sheet that stand, with what a counter may see: never the book."""
    return (
        CountLine.objects.filter(sheet=sheet, recounted_by__isnull=True)
        .select_related("lot", "counted_by")
        .defer("book_mass_ug", "book_volume_ul")
        .order_by("lot__code")
    )


def open_sheets(month: BooksMonth) -> QuerySet[CountSheet]:
    """Sheets of the month with lots still to be counted."""
    return CountSheet.objects.filter(
        month_end__books_month=month, state=CountSheet.State.OPEN
    ).order_by("code")


def stale_lines(month: BooksMonth) -> list[CountLine]:
    """Counted lines whose lot's book, as of the moment counted for, is no longer what it was.

    A late fact or a reversal does that; a posted adjustment is allowed for.
    """
    lines = (
        CountLine.objects.filter(sheet__month_end__books_month=month, recounted_by__isnull=True)
        .exclude(method=CountLine.Method.NOT_YET)
        .select_related("sheet", "lot")
        .prefetch_related("metals", "adjustments")
    )
    by_moment: dict[dt.datetime, list[CountLine]] = defaultdict(list)
    for line in lines:
        by_moment[line.sheet.as_of].append(line)
    return [
        line
        for as_of, counted in by_moment.items()
        for held in [holdings([line.lot_id for line in counted], AsOf(as_of))]
        for line in counted
        if held[line.lot_id].metals != _expected(line)
    ]


def _expected(line: CountLine) -> dict[str, int]:
    """What the book should hold of the lot: as when counted, or as counted once adjusted."""
    posted = any(each.state == CountAdjustment.State.POSTED for each in line.adjustments.all())
    metals = {each.metal: each.counted_ug if posted else each.book_ug for each in line.metals.all()}
    return {metal: mass_ug for metal, mass_ug in metals.items() if mass_ug}


def undecided(month: BooksMonth) -> QuerySet[CountAdjustment]:
    """Adjustments of the month that a second person has yet to decide on."""
    return CountAdjustment.objects.filter(
        line__sheet__month_end__books_month=month, state=CountAdjustment.State.PROPOSED
    ).order_by("id")
