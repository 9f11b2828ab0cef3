"""Movements as a table: every line of the ledger in a span of time."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from reports.exports.moments import span_note
from reports.exports.tables import Column, Kind, Table
from reports.queries.movements_list import MovementRow

_COLUMNS = (
    Column("sequence", "Movement", Kind.WHOLE, 10),
    Column("occurred_at", "Occurred", Kind.MOMENT, 17),
    Column("recorded_at", "Recorded", Kind.MOMENT, 17),
    Column("recorded_by", "By", width=14),
    Column("kind", "Kind", width=22),
    Column("stage", "Stage", width=18),
    Column("cause", "Cause", width=18),
    Column("counterparty", "Counterparty", width=22),
    Column("reverses", "Reverses", Kind.WHOLE, 10),
    Column("lot", "Lot", width=14),
    Column("account", "Account", width=26),
    Column("owner", "Owner", width=22),
    Column("metal", "Metal", width=8),
    Column("mass", "Mass", Kind.MASS, 18, is_totalled=True),
    Column("spread", "Standard uncertainty", Kind.MASS, 16, of="standard_uncertainty_ug"),
    Column("basis", "Rests on", width=16),
    Column("note", "Note", width=40),
)
_NOTE = (
    "Positive into the lot or account named, negative out of it. Every movement balances to nought "
    "for every metal, so each total is nought."
)


@dataclass(frozen=True)
class _Stream:
    """Rows read again from the start each time they are gone through."""

    read: Callable[[], Iterator[MovementRow]]

    def __iter__(self) -> Iterator[MovementRow]:
        return self.read()


def movements_table(
    starts_at: dt.datetime, ends_at: dt.datetime, read: Callable[[], Iterator[MovementRow]]
) -> Table:
    """`read` starts the query again, so that a long ledger is streamed and never held whole."""
    notes = [span_note(starts_at, ends_at), _NOTE]
    return Table("Movements", "Movements", _COLUMNS, _Stream(read), notes, "metal")
