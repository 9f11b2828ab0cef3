"""The month's network, read from the ledger: what was measured, and what moved between what."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass

from lots.models import Lot
from reports.queries.month.entry_uncertainty import Books, BookUncertainty, book_uncertainties
from reports.queries.month.month_events import MonthEvents
from reports.queries.month.month_facts import month_facts
from reports.queries.month.month_readings import Source
from reports.queries.month.periods import Period
from reports.statistics.month_network import MonthNetwork


@dataclass(frozen=True)
class LedgerNetwork:
    """The network of a month, the source of every reading by its name, and the closing book."""

    period: Period
    network: MonthNetwork
    sources: Mapping[str, Source]
    closing: BookUncertainty
    lots: Mapping[str, Lot]

    def source(self, name: str) -> Source:
        """Where a reading comes from; the network's own allowances are for losses."""
        return self.sources.get(name) or Source(name, "loss", name)


def month_network(
    period: Period, recorded: dt.datetime | None = None, *, books: Books | None = None
) -> LedgerNetwork:
    """Builds the network of a month's movements as the books, recorded by `recorded`, have them.

    `books` holds them at the month's opening and closing, when they are at hand.
    """
    facts = month_facts(period, recorded)
    opens, closes = period.opening().occurred, period.closing().occurred
    if books is None:
        books = book_uncertainties([opens, closes], recorded, since=period.starts_at)
    events = MonthEvents(period, facts, books[opens])
    network = MonthNetwork(list(events.rows()))
    return LedgerNetwork(
        period=period,
        network=network,
        sources=events.readings.sources,
        closing=books[closes],
        lots={lot.code: lot for lot in facts.lots.values()},
    )
