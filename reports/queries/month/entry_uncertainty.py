"""How sure is any figure of the books: each entry, each holding, and every sum of them?"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from operator import itemgetter
from typing import Any, Final

from django.db.models import QuerySet

from lots.ledger.holdings import NOW, AsOf
from lots.models import (
    Assay,
    AssayResult,
    Entry,
    MaterialEntry,
    Movement,
    VolumeReading,
    Weighing,
)
from reports.statistics.propagation import (
    AmountLine,
    Line,
    Readings,
    Replay,
    Step,
    in_common,
)
from reports.statistics.uncertainty import Expanded, Figure, FigureSet, expanded, gather, linear

NOTHING: Final = Figure(0.0)
READ_AT_ONCE: Final = 2_000
LAST: Final = dt.datetime.max.replace(tzinfo=dt.UTC)


@dataclass(frozen=True)
class BookUncertainty:
    """Figures with named error sources, micrograms: per entry, and per lot and metal held.

    Two figures that rest on one weighing, assay, balance or laboratory share its source, so any
    sum or difference of them is as sure as it really is.
    """

    as_of: AsOf
    entries: dict[int, Figure]
    held: dict[tuple[int, str], Figure]
    amounts: dict[int, Figure]

    def of_entries(self, entries: Iterable[int], sign: float = 1.0) -> Figure:
        """The sum of these entries (primary keys), times `sign`."""
        figures = [self.entries[pk] for pk in entries if pk in self.entries]
        return linear(figures, [sign] * len(figures))

    def of_lots(self, metal: str, lots: Iterable[int]) -> Figure:
        """What these lots hold of a metal together."""
        figures = [self.held.get((lot, metal), NOTHING) for lot in lots]
        return linear(figures, [1.0] * len(figures))

    def of_metal(self, metal: str) -> Figure:
        """What all lots together hold of a metal."""
        return self.of_lots(metal, [lot for lot, each in self.held if each == metal])

    def figure_set(self, entries: Sequence[int]) -> FigureSet:
        """These entries as one sparse set over the sources they share, for many sums at once."""
        return gather([self.entries.get(pk, NOTHING) for pk in entries])[0]


Books = Mapping[dt.datetime | None, BookUncertainty]


def expanded_for(figures: Iterable[Figure], probability: float = 0.95) -> Expanded:
    """The expanded uncertainty of a sum of figures, with its coverage factor, micrograms."""
    terms = list(figures)
    return expanded(linear(terms, [1.0] * len(terms)), probability)


def book_uncertainty(as_of: AsOf = NOW) -> BookUncertainty:
    """The books as of a moment; seven queries, and time in proportion to the entries."""
    return book_uncertainties([as_of.occurred], as_of.recorded)[as_of.occurred]


def book_uncertainties(
    moments: Iterable[dt.datetime | None],
    recorded: dt.datetime | None = None,
    *,
    since: dt.datetime | None = None,
) -> Books:
    """The books as of several moments (None: all of them), in one replay and seven queries.

    With `since`, only entries from then on have figures of their own: a long history's would fill
    the memory, and a month's report asks for none of them.
    """
    wanted = sorted(set(moments), key=_when)
    upto = AsOf(wanted[-1] if wanted else None, recorded)
    replay = Replay(readings(), _taken_back(upto))
    found = {}
    for at, step in _steps(upto):
        while wanted and _when(wanted[0]) < at:
            moment = wanted.pop(0)
            found[moment] = _as_it_stands(AsOf(moment, recorded), replay)
        replay.take(step, keep=since is None or at >= since)
    return found | {each: _as_it_stands(AsOf(each, recorded), replay) for each in wanted}


def _taken_back(as_of: AsOf) -> set[int]:
    """The numbers of the movements that others reverse."""
    reversals = Movement.objects.filter(as_of.limit(), reverses__isnull=False)
    return set(reversals.values_list("reverses__sequence", flat=True))


def _when(moment: dt.datetime | None) -> dt.datetime:
    return LAST if moment is None else moment


def _as_it_stands(as_of: AsOf, replay: Replay) -> BookUncertainty:
    done = replay.done
    return BookUncertainty(as_of, dict(done.entries), dict(done.held), dict(done.amounts))


def readings() -> Readings:
    """Every measurement that the books rest on, with its error sources."""
    quantities: dict[int, Figure] = {}
    for weighing in Weighing.objects.select_related("balance").order_by("pk"):
        quantities[weighing.pk] = weighing_figure(weighing)
    for reading in VolumeReading.objects.order_by("pk"):
        quantities[reading.pk] = volume_figure(reading)
    contents: dict[tuple[int, str], Figure] = {}
    by_mass = set()
    for result in AssayResult.objects.select_related("assay__laboratory").order_by("pk"):
        contents[result.assay_id, result.metal] = assay_figure(result)
        if result.assay.basis == Assay.Basis.FINENESS:
            by_mass.add(result.assay_id)
    return Readings(quantities, contents, frozenset(by_mass))


def weighing_figure(weighing: Weighing) -> Figure:
    """A net weighing, micrograms; part of its error is the balance's own in all its weighings."""
    return in_common(
        float(weighing.net_ug),
        float(weighing.standard_uncertainty_ug),
        f"weighing {weighing.pk}",
        f"balance {weighing.balance.code}: calibration",
    )


def volume_figure(reading: VolumeReading) -> Figure:
    """A volume, microlitres; each reading has an error of its own."""
    u = float(reading.standard_uncertainty_ul)
    return Figure(float(reading.volume_ul), {f"volume {reading.pk}": u} if u else {})


def assay_figure(result: AssayResult) -> Figure:
    """One metal of an assay in its own unit: repeatability, and the laboratory's bias by method."""
    assay = result.assay
    return in_common(
        float(result.value),
        float(result.standard_uncertainty),
        f"assay {assay.pk}, {result.metal}: repeatability",
        f"laboratory {assay.laboratory.code}, {assay.method}, {result.metal}: bias",
    )


def _steps(as_of: AsOf) -> Iterator[tuple[dt.datetime, Step]]:
    """Movements in the order in which they happened, with when; read as they are asked for."""
    entries = _together(
        Entry.objects.filter(as_of.limit())
        .order_by("occurred_at", "movement_id", "pk")
        .values_list(
            "occurred_at",
            "movement_id",
            "pk",
            "lot_id",
            "metal",
            "mass_ug",
            "basis",
            "standard_uncertainty_ug",
            "quantity_by_id",
            "content_by_id",
        )
    )
    materials = _together(
        MaterialEntry.objects.filter(as_of.limit())
        .order_by("occurred_at", "movement_id", "pk")
        .values_list(
            "occurred_at", "movement_id", "lot_id", "mass_ug", "volume_ul", "quantity_by_id"
        )
    )
    movements = (
        Movement.objects.filter(as_of.limit())
        .order_by("occurred_at", "pk")
        .values_list("pk", "occurred_at", "sequence", "kind", "reverses__sequence")
    )
    lines_of, amounts_of = _Waiting(entries), _Waiting(materials)
    for pk, at, number, kind, reverses in movements.iterator(READ_AT_ONCE):
        lines = [Line(*row) for row in lines_of.take(at, pk)]
        amounts = [
            AmountLine(lot, mass_ug or volume_ul, quantity)
            for lot, mass_ug, volume_ul, quantity in amounts_of.take(at, pk)
        ]
        yield at, Step(number, kind, lines, amounts, reverses)


Rows = list[tuple[Any, ...]]
Grouped = Iterator[tuple[tuple[dt.datetime, int], Rows]]


def _together(
    rows: QuerySet[Any, tuple[Any, ...]],
) -> Grouped:
    """The rows of each movement, without the two columns that say which it is."""
    for movement, each in groupby(rows.iterator(READ_AT_ONCE), key=itemgetter(0, 1)):
        yield movement, [row[2:] for row in each]


class _Waiting:
    """Rows by movement in the movements' own order, handed out to whichever they belong to."""

    def __init__(self, grouped: Grouped) -> None:
        self._grouped = grouped
        self._next = next(grouped, None)

    def take(self, at: dt.datetime, movement: int) -> Rows:
        if self._next is None or self._next[0] != (at, movement):
            return []
        rows = self._next[1]
        self._next = next(self._grouped, None)
        return rows
