"""Is metal missing, and since when: the inventory difference of each month with its limit of error.

Book less physical, positive for an apparent loss. Two parts add up to it: what the month's count
did not find, and what the processes of the month could not account for when they were closed.
"""

from __future__ import annotations

import datetime as dt
import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from lots.ledger import accounts
from lots.ledger.snapshot import unmoving
from lots.metals import Metal
from lots.models import (
    AssayResult,
    Entry,
    Lot,
    LotStanding,
    Movement,
    Place,
    VolumeReading,
    Weighing,
)
from reports.models import CountLine, CountSheet
from reports.queries.counts import standing_lines
from reports.queries.month.entry_uncertainty import (
    Books,
    BookUncertainty,
    assay_figure,
    book_uncertainties,
    volume_figure,
    weighing_figure,
)
from reports.queries.month.periods import Period, local_day, month_periods
from reports.statistics.inventory_difference import Difference, Sequential, judged, sequence
from reports.statistics.propagation import counted
from reports.statistics.uncertainty import Figure, fine_mass, linear, product

PROCESS_ACCOUNTS: Final = (
    accounts.WEIGHING_DIFFERENCE,
    accounts.MELT_DIFFERENCE,
    accounts.PROCESS_DIFFERENCE,
    accounts.CELL_DIFFERENCE,
    accounts.RECOVERY_DIFFERENCE,
)
NOTHING: Final = Figure(0.0)
ALL_AREAS: Final = ""
# How many months a sequence goes back unless told.
MONTHS: Final = 12

_METHOD: Final = CountLine.Method
_PROCESS_FORMS: Final = (Lot.Form.IN_PROCESS, Lot.Form.ANODE_CHARGE, Lot.Form.ELECTROLYTE)

Key = tuple[str, str]


@dataclass(frozen=True)
class MonthDifference:
    """One metal's inventory difference in one area (empty: the whole works), micrograms.

    `whole` is counted and process together, with its limits of error and verdict; `count` is the
    counted part with its error sources. `is_counted`: a count of the month weighed or measured
    something of it.
    """

    metal: str
    area: str
    is_counted: bool
    counted_ug: int
    process_ug: int
    whole: Difference
    count: Figure

    @property
    def area_name(self) -> str:
        return str(Place.Area(self.area).label) if self.area else "All areas"


@dataclass(frozen=True)
class DifferenceSequence:
    """One metal's differences month after month in one area, tested for a slow steady loss.

    `periods` are the months in order; `tested` is None while no month has an uncertain difference.
    Months without any uncertain term are left out of the test and named in `untested`.
    """

    metal: str
    area: str
    periods: tuple[Period, ...]
    months: tuple[MonthDifference, ...]
    tested: Sequential | None
    untested: tuple[Period, ...]

    @property
    def loss_since(self) -> Period | None:
        """The month in which the likeliest steady loss (or gain) began, if the test alarmed."""
        if self.tested is None or self.tested.alarm_month is None:
            return None
        return [each for each in self.periods if each not in self.untested][self.tested.start_month]


def month_differences(
    period: Period, recorded: dt.datetime | None = None
) -> tuple[MonthDifference, ...]:
    """Per metal and area, and per metal for the whole works."""
    lines = _lines([period])
    return _differences(period, lines[period], _books([period], lines, recorded))


@unmoving
def difference_sequences(
    last: Period,
    *,
    months: int = MONTHS,
    alpha: float = 0.05,
    recorded: dt.datetime | None = None,
    books: Books | None = None,
) -> tuple[DifferenceSequence, ...]:
    """The months up to and with `last`, at most `months` of them, that the books know of.

    `alpha` is the chance of any false alarm among all metals and areas tested together (Sidak).
    `books` are those of `month_books`, when they are at hand.
    """
    periods = _periods(last, months)
    lines = _lines(periods)
    if books is None:
        books = _books(periods, lines, recorded)
    by_key: dict[Key, dict[Period, MonthDifference]] = defaultdict(dict)
    for period in periods:
        for each in _differences(period, lines[period], books):
            by_key[each.metal, each.area][period] = each
    each_alpha = -math.expm1(math.log1p(-alpha) / max(len(by_key), 1))
    return tuple(
        _sequence(key, periods, found, each_alpha)
        for key, found in sorted(by_key.items(), key=_order)
    )


def _sequence(
    key: Key,
    periods: Sequence[Period],
    found: Mapping[Period, MonthDifference],
    alpha: float,
) -> DifferenceSequence:
    nothing = judged(NOTHING)
    months = tuple(
        found.get(period) or MonthDifference(*key, False, 0, 0, nothing, NOTHING)
        for period in periods
    )
    figures = {
        period: each.whole.figure
        for period, each in zip(periods, months, strict=True)
        if each.whole.u > 0
    }
    return DifferenceSequence(
        *key,
        periods=tuple(periods),
        months=months,
        tested=sequence(list(figures.values()), alpha=alpha) if figures else None,
        untested=tuple(period for period in periods if period not in figures),
    )


def _periods(last: Period, months: int) -> list[Period]:
    """Months with something on the books, oldest first."""
    first = Movement.objects.order_by("occurred_at").values_list("occurred_at", flat=True).first()
    if first is None:
        return []
    days: list[dt.date] = []
    day = last.first_day
    while len(days) < months and day >= local_day(first).replace(day=1):
        days.append(day)
        day = (day - dt.timedelta(days=1)).replace(day=1)
    return month_periods(reversed(days))


def _lines(periods: Iterable[Period]) -> dict[Period, list[CountLine]]:
    """The lines of each month's counts that say how much is there.

    What was only sighted says nothing of how much, and is no term.
    """
    return {
        period: list(
            standing_lines(
                CountSheet.objects.filter(month_end__books_month__first_day=period.first_day)
            )
            .filter(method__in=(_METHOD.WEIGHED, _METHOD.VOLUME, _METHOD.MISSING))
            .select_related("sheet__place")
            .prefetch_related("metals")
        )
        for period in periods
    }


def _books(
    periods: Sequence[Period],
    lines: Mapping[Period, Sequence[CountLine]],
    recorded: dt.datetime | None,
) -> Books:
    """The books at every moment that a month was counted for, and at the end of the last."""
    if not periods:
        return {}
    moments = {line.sheet.as_of for each in lines.values() for line in each}
    return book_uncertainties(
        [*moments, periods[-1].closing().occurred], recorded, since=periods[0].starts_at
    )


def month_books(last: Period, recorded: dt.datetime | None = None) -> Books:
    """The books that both the month's estimate and its difference sequence ask for, in one replay.

    Replaying the history takes longer than anything else of a month's report.
    """
    periods = _periods(last, MONTHS)
    moments = {line.sheet.as_of for each in _lines(periods).values() for line in each}
    ends = [last.opening().occurred, last.closing().occurred]
    since = periods[0].starts_at if periods else last.starts_at
    return book_uncertainties([*moments, *ends], recorded, since=since)


def _differences(
    period: Period, lines: Sequence[CountLine], books: Books
) -> tuple[MonthDifference, ...]:
    counts = _counts(lines, books)
    processes = _processes(period, books[max(books, key=_moment)])
    found = []
    for key in sorted({*counts, *processes}, key=lambda key: _order((key, None))):
        by_count, by_process = counts.get(key, NOTHING), processes.get(key, NOTHING)
        found.append(
            MonthDifference(
                metal=key[0],
                area=key[1],
                is_counted=key in counts,
                counted_ug=round(by_count.value),
                process_ug=round(by_process.value),
                whole=judged(linear([by_count, by_process], [1.0, 1.0])),
                count=by_count,
            )
        )
    return tuple(found)


def _order(item: tuple[Key, object]) -> tuple[int, int]:
    metal, area = item[0]
    areas = [ALL_AREAS, *Place.Area.values]
    return Metal.values.index(metal), areas.index(area)


def _moment(at: dt.datetime | None) -> dt.datetime:
    assert at is not None
    return at


def _counts(lines: Sequence[CountLine], books: Books) -> dict[Key, Figure]:
    """Book less count of every lot counted, by metal and area."""
    if not lines:
        return {}
    quantities = _quantities(lines)
    contents = {
        (result.assay_id, result.metal): result
        for result in AssayResult.objects.filter(
            assay__in=[line.assay_id for line in lines if line.assay_id]
        ).select_related("assay__laboratory")
    }
    terms: dict[Key, list[Figure]] = defaultdict(list)
    for line in lines:
        book = books[line.sheet.as_of]
        for each in line.metals.all():
            held = book.held.get((line.lot_id, each.metal), NOTHING)
            physical = NOTHING
            if line.measurement_id is not None:
                reading = quantities[line.measurement_id]
                result = contents.get((line.assay_id or 0, each.metal))
                if result is not None:
                    content = assay_figure(result)
                    by_mass = result.assay.basis == result.assay.Basis.FINENESS
                    physical = (fine_mass if by_mass else product)(reading, content)
                elif line.assay_id is None and held.value:
                    physical = counted(held, book.amounts[line.lot_id], reading)
            difference = linear([held, physical], [1.0, -1.0])
            for area in (line.sheet.place.area, ALL_AREAS):
                terms[each.metal, area].append(difference)
    return {key: linear(figures, [1.0] * len(figures)) for key, figures in terms.items()}


def _quantities(lines: Sequence[CountLine]) -> dict[int, Figure]:
    wanted = [line.measurement_id for line in lines if line.measurement_id is not None]
    found = {
        each.pk: weighing_figure(each)
        for each in Weighing.objects.filter(pk__in=wanted).select_related("balance")
    }
    volumes = VolumeReading.objects.filter(pk__in=wanted)
    return found | {each.pk: volume_figure(each) for each in volumes}


def _processes(period: Period, book: BookUncertainty) -> dict[Key, Figure]:
    """What went to difference accounts when processes were closed, by the place they stood at."""
    entries = Entry.objects.filter(
        account__code__in=PROCESS_ACCOUNTS,
        occurred_at__gte=period.starts_at,
        occurred_at__lt=period.ends_at,
    ).order_by("pk")
    known = [entry for entry in entries if entry.pk in book.entries]
    areas = _areas_of({entry.movement_id for entry in known})
    terms: dict[Key, list[Figure]] = defaultdict(list)
    for entry in known:
        for area in {areas.get(entry.movement_id, ALL_AREAS), ALL_AREAS}:
            terms[entry.metal, area].append(book.entries[entry.pk])
    return {key: linear(figures, [1.0] * len(figures)) for key, figures in terms.items()}


def _areas_of(movements: set[int]) -> dict[int, str]:
    """Where the vessel, or else the first lot, of each movement stood when it happened."""
    first: dict[int, tuple[int, dt.datetime]] = {}
    rows = (
        Entry.objects.filter(movement__in=movements, lot__isnull=False)
        .order_by("movement_id", "pk")
        .values_list("movement_id", "lot_id", "occurred_at", "lot__form")
    )
    for movement, lot, at, form in rows:
        if lot is not None and (movement not in first or form in _PROCESS_FORMS):
            first[movement] = (lot, at)
    stood: dict[int, list[tuple[dt.datetime, str]]] = defaultdict(list)
    standings = (
        LotStanding.objects.filter(lot__in={lot for lot, _ in first.values()})
        .order_by("occurred_at", "pk")
        .values_list("lot_id", "occurred_at", "place__area")
    )
    for lot, at, area in standings:
        stood[lot].append((at, area))
    areas = {}
    for movement, (lot, at) in first.items():
        passed = [area for since, area in stood[lot] if since <= at]
        areas[movement] = passed[-1] if passed else ALL_AREAS
    return areas
