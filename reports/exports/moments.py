"""In words, which moment or span of time a report speaks of."""

from __future__ import annotations

import datetime as dt

from lots.ledger.holdings import AsOf
from reports.exports.tables import local


def as_of_note(as_of: AsOf) -> str:
    """Which moment, and as recorded by when."""
    occurred = "now" if as_of.occurred is None else _to_the_second(as_of.occurred)
    recorded = "by now" if as_of.recorded is None else f"by {_to_the_second(as_of.recorded)}"
    return f"As of {occurred}, as recorded {recorded}."


def span_note(starts_at: dt.datetime, ends_at: dt.datetime) -> str:
    """From when to when, by the works' clocks."""
    return f"From {local(starts_at):%Y-%m-%d %H:%M %Z} up to {local(ends_at):%Y-%m-%d %H:%M %Z}."


def _to_the_second(moment: dt.datetime) -> str:
    return f"{local(moment):%Y-%m-%d %H:%M:%S %Z}"
