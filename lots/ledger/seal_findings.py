"""Which rows are not as they were sealed, and where the chain of seals breaks."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from itertools import groupby
from operator import itemgetter
from typing import Final

from lots.keeping.sealed_tables import SealedTable, rows_of, sealed_tables
from lots.ledger.raw_sql import fetch
from lots.ledger.seal_digests import FIRST_DIGEST, SealDigest, row_digest
from lots.models import Seal, SealLayout

Row = dict[str, object]

_ROWS_BY_KEY: Final = """
SELECT row_id, id, layout_id, digest FROM lots_sealedrow
WHERE layout_id IN (SELECT id FROM lots_seallayout WHERE table_name = %s) ORDER BY row_id, id
"""
_WITHOUT_MOVEMENT: Final = """
SELECT s.number, s.ledger_digest FROM lots_seal s LEFT JOIN lots_movement m
ON m.digest = s.ledger_digest WHERE m.id IS NULL AND s.ledger_digest <> %s ORDER BY s.number
"""
_ROWS_BY_SEAL: Final = (
    "SELECT seal_id, layout_id, row_id, digest FROM lots_sealedrow ORDER BY seal_id, id"
)


def broken_seals() -> Iterator[Row]:
    """Each seal whose digest does not follow from its rows and the seal before, or is not there.

    And each that was made after a movement that is gone: the end of the ledger was cut off.
    """
    previous, expected = FIRST_DIGEST, 1
    rows = groupby(rows_of(_ROWS_BY_SEAL), itemgetter(0))
    number, covered = next(rows, (None, iter(())))
    for seal in Seal.objects.order_by("number").iterator(2000):
        if seal.number != expected:
            yield {"seal": expected, "found": "missing"}
        while number is not None and number < seal.number:
            yield {"seal": number, "found": "missing, its rows are there"}
            number, covered = next(rows, (None, iter(())))
        digest = SealDigest(previous, seal.number, seal.sealed_at, seal.ledger_digest, seal.reason)
        if number == seal.number:
            for _, layout_id, row_id, row in covered:
                digest.add(layout_id, row_id, row)
            number, covered = next(rows, (None, iter(())))
        if digest.hexdigest() != seal.digest:
            yield {"seal": seal.number, "found": "changed", "expected_digest": digest.hexdigest()}
        previous, expected = seal.digest, seal.number + 1
    if number is not None:
        yield {"seal": number, "found": "missing, its rows are there"}
    head = fetch("SELECT last_seal, last_seal_digest FROM lots_ledgerhead WHERE id = 1")
    if head != [(expected - 1, previous)]:
        yield {"seal": expected - 1, "found": "the ledger's head names another as the last"}
    for number, ledger_digest in rows_of(_WITHOUT_MOVEMENT, [FIRST_DIGEST]):
        yield {"seal": number, "found": "its movement is gone", "ledger_digest": ledger_digest}


def rows_not_as_sealed(only: Collection[str] | None = None) -> Iterator[Row]:
    """Each row that was changed, taken away, or added without a request, by table and key."""
    for name, table in sorted(sealed_tables().items()):
        if only is not None and name not in only:
            continue
        layouts = dict(SealLayout.objects.filter(table_name=name).values_list("id", "columns"))
        for key, found in _compared(table, layouts):
            yield {"table": name, "row_id": key, "found": found}


def _compared(table: SealedTable, layouts: dict[int, list[str]]) -> Iterator[tuple[int, str]]:
    """Walks the rows and their latest seals side by side, both in the order of the key."""
    names = table.names
    latest = _latest(table.name)
    key, layout_id, digest = next(latest, _END)
    for row_key, texts in table.rows(is_long=True):
        while key is not None and key < row_key:
            yield key, "missing"
            key, layout_id, digest = next(latest, _END)
        if key != row_key:
            if not table.is_late or key is not None:
                yield row_key, "never sealed"
            continue
        columns = layouts[layout_id]
        by_name = dict(zip(names, texts, strict=True))
        if not set(columns) <= set(names):
            yield row_key, "sealed by columns that are gone"
        elif row_digest(table.name, [by_name[column] for column in columns]) != digest:
            yield row_key, "changed"
        key, layout_id, digest = next(latest, _END)
    while key is not None:
        yield key, "missing"
        key, layout_id, digest = next(latest, _END)


_END: Final = (None, 0, "")


def _latest(name: str) -> Iterator[tuple[int | None, int, str]]:
    for key, versions in groupby(rows_of(_ROWS_BY_KEY, [name]), itemgetter(0)):
        *_, (_, _, layout_id, digest) = versions
        yield key, layout_id, digest
