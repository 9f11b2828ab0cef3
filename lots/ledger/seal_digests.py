"""The digests of sealed rows, and the chain over them.

Every text is a line of CSV as in an export (`row_text.py`), so that whoever has an export can
compute them again.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Sequence
from typing import Any, Final

from lots.ledger.row_text import Column, Kind, line, writer_of

FIRST_DIGEST: Final = "0" * 64
_moment = writer_of(Column("sealed_at", Kind.MOMENT))


def row_digest(table: str, fields: Sequence[str]) -> str:
    """SHA-256 (hex) of the table's name and the row's sealed columns, as one line."""
    return hashlib.sha256(line([table, *fields]).encode()).hexdigest()


class SealDigest:
    """SHA-256 over a seal's own line and then one line for each row it covers, in order."""

    def __init__(
        self, previous: str, number: int, sealed_at: dt.datetime, ledger_digest: str, reason: str
    ) -> None:
        head = [previous, str(number), _moment(sealed_at), ledger_digest, reason]
        self._digest: Any = hashlib.sha256(line(head).encode())

    def add(self, layout_id: int, row_id: int, digest: str) -> None:
        self._digest.update(line([str(layout_id), str(row_id), digest]).encode())

    def hexdigest(self) -> str:
        return str(self._digest.hexdigest())
