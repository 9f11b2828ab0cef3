"""Counting what is there: blind sheets by place, what was found of each lot, recounts."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Final

from config.refusals import refuse
from lots import clock
from lots.declaration.event import SUBJECT, WHEN, Asks, Event, On
from lots.ledger.holdings import AsOf, Holding, holding
from lots.ledger.recording import Act, check_not_future, recorded_once
from lots.ledger.standings import standings_of
from lots.measurements.outputs import (
    Content,
    Volume,
    contents_by_assay,
    contents_by_concentration,
    keep_volume,
)
from lots.measurements.weighings import Weight, keep_weighing
from lots.metals import Metal
from lots.models import Assay, Entry, Lot, Measurement, Place, Weighing
from lots.people.roles import OFFICE
from lots.queries.likely_lots import counted_held
from lots.services.lot_register import next_code
from reports.counting import CountedMass, in_proportion
from reports.models import CountAdjustment, CountedMetal, CountLine, CountSheet, MonthEnd
from reports.queries.count_sheets import lots_standing_at
from reports.queries.month.periods import period_of
from reports.services.month_end import ON_MONTH

_METHOD = CountLine.Method
SHEET_PREFIX = "CN"
ON_SHEET: Final = On(
    CountSheet,
    "count-sheets/<str:code>",
    "sheet",
    related=("place", "month_end__books_month", "opened_by"),
    section="months",
    template="reports/sheet_step.html",
    page="count-sheet",
    also=("month", "who"),
)


@dataclass(frozen=True)
class Found:
    """What was found of one lot: exactly one of weight, volume, sighted and missing.

    `assay` (of this lot) gives the content of what was weighed or measured; without it the metals
    are taken at the book's own content. `sighted` is for what can't be opened: a sealed bag, a
    running cell; it confirms that the lot is there and says nothing of how much.
    """

    weight: Weight | None = None
    volume: Volume | None = None
    sighted: Annotated[bool, Asks("Seen with its seal intact, not opened")] = False
    missing: Annotated[bool, Asks("Not found")] = False
    assay: Annotated[Assay | None, None, Asks(on_page=False)] = None


@recorded_once
def open_count_sheet(
    *,
    month_end: MonthEnd,
    place: Annotated[Place, None, Asks("What is counted")],
    act: Act,
    as_of: Annotated[
        dt.datetime | None,
        Asks(help="The moment counted for: the month's end, or now while it runs.", on_page=False),
    ] = None,
) -> CountSheet:
    """A sheet of every lot the books have at a place, to be counted without seeing the book.

    `as_of` is the moment the count is compared with: the end of the month unless told, or now while
    the month runs. Raises ConflictError `sheet_exists`, `month_not_counting`; InvalidError
    `outside_month`, `in_the_future`.
    """
    _check_counting(month_end)
    period = period_of(month_end.books_month)
    last = period.closing().occurred
    assert last is not None
    as_of = as_of or min(last, clock.now())
    if not period.starts_at <= as_of <= last:
        raise refuse("outside_month", field="as_of", value=as_of.isoformat(), period=period)
    check_not_future(as_of, clock.now(), field="as_of")
    if CountSheet.objects.filter(month_end=month_end, place=place).exists():
        raise refuse("sheet_exists", field="place", value=place.code, place=place, period=period)
    lots = lots_standing_at(place, AsOf(as_of))
    sheet = CountSheet.objects.create(
        code=next_code(SHEET_PREFIX, act.moment.year),
        month_end=month_end,
        place=place,
        as_of=as_of,
        state=CountSheet.State.OPEN if lots else CountSheet.State.COUNTED,
        opened_by_id=act.who.pk,
        opened_at=act.moment,
        note=act.note,
    )
    CountLine.objects.bulk_create(CountLine(sheet=sheet, lot=lot) for lot in lots)
    month_end.state = MonthEnd.State.COUNTING
    month_end.version += 1
    month_end.save(update_fields=["state", "version"])
    return sheet


OPEN: Final = Event(
    open_count_sheet,
    on=ON_MONTH,
    when=WHEN,
    at="count-sheets",
    name="sheet-open",
    about="Open a sheet of every lot the books have at a place, to be counted blind.",
    title="Open a count sheet",
    lead="It lists every lot the books have standing there, and shows nobody how much.",
    button="Open it",
    done="Opened. Count what you find.",
    roles=OFFICE,
    lands="count-sheet code",
    page_at="count",
)


@recorded_once
def add_found_lot(
    *, sheet: CountSheet, lot: Annotated[Lot, None, Asks("The lot found")], act: Act
) -> CountLine:
    """Adds a lot that was found at the place and is on no sheet of the month.

    Raises ConflictError `on_another_sheet`, `month_not_counting`, `lot_not_there_yet`.
    """
    _check_counting(sheet.month_end)
    other = (
        CountLine.objects.filter(sheet__month_end=sheet.month_end, lot=lot)
        .select_related("sheet")
        .first()
    )
    if other is not None:
        raise refuse("on_another_sheet", field="lot", value=lot.code, other=other.sheet.code)
    if lot.pk not in standings_of([lot], AsOf(sheet.as_of)):
        raise refuse("lot_not_there_yet:counts", field="lot", value=lot.code)
    line = CountLine.objects.create(sheet=sheet, lot=lot, note=act.note)
    sheet.state = CountSheet.State.OPEN
    sheet.version += 1
    sheet.save(update_fields=["state", "version"])
    return line


ADD_FOUND: Final = Event(
    add_found_lot,
    on=ON_SHEET,
    at="found-lots",
    name="sheet-add",
    about="Add a lot that was found at the place and is on no sheet of the month.",
    title="Add a lot found there",
    lead="For a lot that stands there and is on no sheet of the month.",
    button="Add it",
    done="Added. Count it.",
    offered_forms=(),
    lands=SUBJECT,
    page_at="/counts/<str:code>/add",
)


@recorded_once
def enter_count(*, sheet: CountSheet, lot: Lot, found: Found, act: Act) -> CountLine:
    """What was found of one lot of the sheet; the book is kept beside it as it stood then.

    Raises InvalidError `one_count_needed`, `lot_not_on_sheet`, `assay_of_other_lot`,
    `basis_without_quantity` and what a weighing or volume is refused for;
    ConflictError `already_counted`, `month_not_counting`, `lot_moved_since`, `no_book_quantity`.
    """
    return first_count(sheet, lot, found, act)


COUNT: Final = Event(
    enter_count,
    on=ON_SHEET,
    at="counts",
    name="sheet-count",
    about="""Enter what was found of one lot of a sheet.

    Exactly one of weight, volume, sighted and missing.
    """,
    title="Count a lot",
    lead="Exactly one of: weighed, measured by volume, seen sealed, not found.",
    button="Keep the count",
    done="Counted.",
    flat=("found",),
    # The page's address names the lot.
    fixed={"lot": None},
    template="reports/count_step.html",
    lands=SUBJECT,
    page_at="/counts/<str:code>/lots/<str:lot>",
    likely=counted_held,
)


@recorded_once
def recount_lot(*, sheet: CountSheet, lot: Lot, found: Found, act: Act) -> CountLine:
    """Counts a lot again; the new count stands and the old one stays on record.

    Raises as `enter_count`; ConflictError `not_yet_counted`, `adjustment_pending`.
    """
    line = standing_line(sheet, lot)
    if not line.is_counted:
        raise refuse("not_yet_counted:counts", field="lot", value=lot.code, sheet=sheet.code)
    check_no_adjustment(line)
    again = CountLine.objects.create(sheet=sheet, lot=lot, recount_of=line)
    return _keep_count(again, found, act)


RECOUNT: Final = Event(
    recount_lot,
    on=ON_SHEET,
    at="recounts",
    about="Count a lot again; the new count stands and the old one stays on record.",
    flat=("found",),
    likely=counted_held,
)


def standing_line(sheet: CountSheet, lot: Lot) -> CountLine:
    """The line of a lot that no recount has superseded. Raises InvalidError `lot_not_on_sheet`."""
    line = CountLine.objects.filter(sheet=sheet, lot=lot, recounted_by__isnull=True).first()
    if line is None:
        raise refuse("lot_not_on_sheet", field="lot", value=lot.code, sheet=sheet.code)
    return line


def check_no_adjustment(line: CountLine) -> None:
    """Refuses a line whose difference is proposed for, or already on, the books."""
    live = [CountAdjustment.State.PROPOSED, CountAdjustment.State.POSTED]
    adjustment = line.adjustments.filter(state__in=live).first()
    if adjustment is not None:
        raise refuse(
            "adjustment_pending",
            field="lot",
            value=line.lot.code,
            adjustment=adjustment.get_state_display().lower(),
        )


def first_count(sheet: CountSheet, lot: Lot, found: Found, act: Act) -> CountLine:
    """As `enter_count`, for services that enter several counts in one transaction."""
    line = standing_line(sheet, lot)
    if line.is_counted:
        raise refuse("already_counted", field="lot", value=lot.code, sheet=sheet.code)
    return _keep_count(line, found, act)


def _keep_count(line: CountLine, found: Found, act: Act) -> CountLine:
    sheet, lot = line.sheet, line.lot
    _check_counting(sheet.month_end)
    _check_found(found, lot)
    book = holding(lot, AsOf(sheet.as_of))
    if not (found.sighted or found.missing):
        _check_not_moved(lot, sheet.as_of, act.moment)
    measurement, counted = _count(lot, found, book, act)
    line.method = _method(found)
    line.measurement = measurement
    line.assay = found.assay
    line.book_mass_ug, line.book_volume_ul = book.mass_ug, book.volume_ul
    line.counted_mass_ug, line.counted_volume_ul = _own_quantity(found, book)
    line.counted_by_id = act.who.pk
    line.counted_at = act.moment
    line.note = act.note or line.note
    line.save()
    CountedMetal.objects.bulk_create(_metals(line, book.metals, counted))
    left = CountLine.objects.filter(sheet=sheet, recounted_by__isnull=True, method="")
    if sheet.state == CountSheet.State.OPEN and not left.exists():
        sheet.state = CountSheet.State.COUNTED
        sheet.version += 1
        sheet.save(update_fields=["state", "version"])
    return line


def _count(
    lot: Lot, found: Found, book: Holding, act: Act
) -> tuple[Measurement | None, dict[str, CountedMass]]:
    """The measurement kept as a fact, and what it says of each metal."""
    if found.sighted:
        return None, {metal: CountedMass(mass_ug, None) for metal, mass_ug in book.metals.items()}
    if found.missing:
        return None, {}
    if found.weight is not None:
        weighing = keep_weighing(lot, found.weight, Weighing.Purpose.COUNT, act)
        net, u_net = weighing.net_ug, weighing.standard_uncertainty_ug
        if found.assay is None:
            return weighing, in_proportion(book.metals, book.mass_ug, net, u_net)
        return weighing, _assayed(contents_by_assay(net, u_net, found.assay, weighing))
    assert found.volume is not None
    reading = keep_volume(lot, found.volume, act)
    volume, u_volume = reading.volume_ul, reading.standard_uncertainty_ul
    if found.assay is None:
        return reading, in_proportion(book.metals, book.volume_ul, volume, u_volume)
    return reading, _assayed(contents_by_concentration(volume, u_volume, found.assay, reading))


def _assayed(contents: list[Content]) -> dict[str, CountedMass]:
    return {
        each.metal: CountedMass(each.mass_ug, each.standard_uncertainty_ug) for each in contents
    }


def _metals(
    line: CountLine, book: Mapping[str, int], counted: Mapping[str, CountedMass]
) -> list[CountedMetal]:
    """A row for every metal that the book or the count has."""
    nothing = CountedMass(0, None)
    rows = []
    for metal in Metal.values:
        if metal in book or metal in counted:
            of = counted.get(metal, nothing)
            book_ug = book.get(metal, 0)
            rows.append(
                CountedMetal(
                    line=line,
                    metal=metal,
                    book_ug=book_ug,
                    counted_ug=of.mass_ug,
                    difference_ug=book_ug - of.mass_ug,
                    standard_uncertainty_ug=of.standard_uncertainty_ug,
                )
            )
    return rows


def _method(found: Found) -> str:
    if found.sighted:
        return _METHOD.SIGHTED
    if found.missing:
        return _METHOD.MISSING
    return _METHOD.WEIGHED if found.weight is not None else _METHOD.VOLUME


def _own_quantity(found: Found, book: Holding) -> tuple[int, int]:
    """The lot's own mass and volume after the count; what was not measured stays as the book."""
    if found.missing:
        return 0, 0
    return (
        found.weight.net_ug if found.weight is not None else book.mass_ug,
        found.volume.volume_ul if found.volume is not None else book.volume_ul,
    )


def _check_counting(month_end: MonthEnd) -> None:
    month_end.refresh_from_db(fields=["state", "version"])
    if month_end.state not in {MonthEnd.State.OPEN, MonthEnd.State.COUNTING}:
        raise refuse(
            "month_not_counting:counts",
            field="month",
            value=str(month_end.books_month),
            month_end=month_end,
            month_end_2=month_end.get_state_display().lower(),
        )


def _check_found(found: Found, lot: Lot) -> None:
    given = [found.weight is not None, found.volume is not None, found.sighted, found.missing]
    if sum(given) != 1:
        raise refuse("one_count_needed:counts", field="found")
    if found.assay is None:
        return
    if found.assay.lot_id != lot.pk:
        raise refuse("assay_of_other_lot", field="assay", value=found.assay.pk)
    basis = {True: Assay.Basis.FINENESS, False: Assay.Basis.CONCENTRATION}[found.weight is not None]
    if found.sighted or found.missing or found.assay.basis != basis:
        raise refuse("basis_without_quantity:counts", field="assay", value=found.assay.basis)


def _check_not_moved(lot: Lot, as_of: dt.datetime, counted_at: dt.datetime) -> None:
    """What is weighed must be what the book speaks of: nothing in or out between the two."""
    first, last = sorted([as_of, counted_at])
    if Entry.objects.filter(lot=lot, occurred_at__gt=first, occurred_at__lte=last).exists():
        raise refuse(
            "lot_moved_since:counts", field="occurred_at", value=lot.code, first=first, last=last
        )


def book_now(line: CountLine) -> Holding:
    """What the books say now of the lot as of the sheet's moment."""
    return holding(line.lot, AsOf(line.sheet.as_of))
