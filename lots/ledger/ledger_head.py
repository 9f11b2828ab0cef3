"""Where the ledger stands: its single row, and what the database counted of this transaction."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import dataclass
from typing import Final

from config.replica import reading_connection
from lots.ledger.guards import WRITES_COUNTED
from lots.ledger.raw_sql import fetch, moment_of

_STAND: Final = "last_digest, last_recorded_at, last_seal, last_seal_digest"


@dataclass(frozen=True)
class Head:
    """The end of both chains, and how often each sealed table was written."""

    last_digest: str
    last_recorded_at: dt.datetime | None
    last_seal: int
    last_seal_digest: str
    writes: dict[str, int]


def read_head(*, is_locking: bool = False) -> Head:
    """One statement; `is_locking`, it takes the row for the rest of the transaction."""
    database = reading_connection()
    is_locking = is_locking and database.features.has_select_for_update
    ((digest, recorded_at, seal, seal_digest, writes),) = fetch(
        f"SELECT {_STAND}, {WRITES_COUNTED[database.vendor]} FROM lots_ledgerhead WHERE id = 1"
        + (" FOR UPDATE" if is_locking else "")
    )
    moment = moment_of(recorded_at) if recorded_at else None
    return Head(digest, moment, seal, seal_digest, json.loads(writes or "{}"))
