"""The expanded uncertainty of the figures that reports show: inventory, statement, lots."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from lots.ledger.holdings import NOW, AsOf
from lots.ledger.snapshot import unmoving
from lots.ledger.standings import standings_of
from lots.models import Entry, Lot, Party, Place
from reports.queries.month.difference_sequence import month_differences
from reports.queries.month.entry_uncertainty import (
    BookUncertainty,
    book_uncertainties,
    book_uncertainty,
)
from reports.queries.month.periods import Period
from reports.statistics.uncertainty import Figure, expanded, linear

PROBABILITY: Final = 0.95


@dataclass(frozen=True)
class UncertainFigure:
    """A report's figure, micrograms: the true value lies within +-`half_width_ug` of it with
    `probability`. `half_width_ug` is `coverage_factor` standard uncertainties.
    """

    mass_ug: int
    standard_uncertainty_ug: int
    coverage_factor: float
    half_width_ug: int
    probability: float


@dataclass(frozen=True)
class InventoryUncertainty:
    """One row of the inventory, named as `InventoryRow` names it."""

    metal: str
    form: str
    owner: str
    place: str
    figure: UncertainFigure


@dataclass(frozen=True)
class StatementUncertainty:
    """One line of a month's statement: `opening`, an account's code, `closing`, `difference`."""

    metal: str
    line: str
    figure: UncertainFigure


def uncertain(figure: Figure, probability: float = PROBABILITY) -> UncertainFigure:
    """Any sum of figures with its interval."""
    wide = expanded(figure, probability)
    return UncertainFigure(
        mass_ug=round(figure.value),
        standard_uncertainty_ug=round(figure.u),
        coverage_factor=wide.coverage_factor,
        half_width_ug=round(wide.half_width),
        probability=probability,
    )


@unmoving
def inventory_uncertainty(
    as_of: AsOf = NOW, probability: float = PROBABILITY
) -> tuple[InventoryUncertainty, ...]:
    """Per metal, form, owner and place, as the inventory groups its rows."""
    book = book_uncertainty(as_of)
    lots = Lot.objects.in_bulk({lot for lot, _ in book.held})
    stood = standings_of(lots, as_of)
    owners = Party.objects.in_bulk({each.owner_id for each in stood.values()})
    places = Place.objects.in_bulk({each.place_id for each in stood.values()})
    grouped: dict[tuple[str, str, str, str], list[int]] = defaultdict(list)
    for lot, metal in book.held:
        owner, place = owners[stood[lot].owner_id], places[stood[lot].place_id]
        grouped[metal, lots[lot].form, owner.code, place.code].append(lot)
    return tuple(
        InventoryUncertainty(*key, uncertain(book.of_lots(key[0], held), probability))
        for key, held in sorted(grouped.items())
    )


@unmoving
def statement_uncertainty(
    period: Period, probability: float = PROBABILITY, recorded: dt.datetime | None = None
) -> tuple[StatementUncertainty, ...]:
    """Per metal the opening and closing book, each account's change, and the count's difference."""
    opens, closes = period.opening().occurred, period.closing().occurred
    books = book_uncertainties([opens, closes], recorded)
    lines: list[tuple[str, str, Figure]] = []
    for name, book in (("opening", books[opens]), ("closing", books[closes])):
        metals = sorted({metal for _, metal in book.held})
        lines += [(metal, name, book.of_metal(metal)) for metal in metals]
    lines += _accounts(period, books[closes])
    lines += [
        (each.metal, "difference", each.count)
        for each in month_differences(period, recorded)
        if not each.area and each.is_counted
    ]
    return tuple(
        StatementUncertainty(metal, line, uncertain(figure, probability))
        for metal, line, figure in sorted(lines, key=lambda each: each[:2])
    )


@unmoving
def lot_uncertainty(
    lots: Iterable[Lot], as_of: AsOf = NOW, probability: float = PROBABILITY
) -> dict[int, dict[str, UncertainFigure]]:
    """By lot and metal: what each of these lots holds."""
    wanted = {lot.pk for lot in lots}
    found: dict[int, dict[str, UncertainFigure]] = {pk: {} for pk in wanted}
    for (lot, metal), figure in book_uncertainty(as_of).held.items():
        if lot in wanted:
            found[lot][metal] = uncertain(figure, probability)
    return found


def _accounts(period: Period, book: BookUncertainty) -> list[tuple[str, str, Figure]]:
    """What each outside account did to the book, signed as the statement signs it."""
    rows = Entry.objects.filter(
        account__isnull=False,
        occurred_at__gte=period.starts_at,
        occurred_at__lt=period.ends_at,
    ).values_list("pk", "metal", "account__code")
    terms: dict[tuple[str, str], list[Figure]] = defaultdict(list)
    for pk, metal, account in rows:
        if pk not in book.entries:
            # Recorded after the moment that the books are read as of.
            continue
        terms[metal, account].append(book.entries[pk])
    return [
        (metal, account, linear(figures, [-1.0] * len(figures)))
        for (metal, account), figures in terms.items()
    ]
