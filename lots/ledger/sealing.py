"""Seals the facts that a request wrote, so that a byte changed afterwards is found by its row."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from itertools import chain, islice
from typing import Final

from django.db import connection

from lots import clock
from lots.keeping.sealed_tables import SealedTable, sealed_tables
from lots.ledger.ledger_head import Head, read_head
from lots.ledger.raw_sql import fetch, placeholders
from lots.ledger.row_writer import insert_rows
from lots.ledger.seal_digests import SealDigest
from lots.models import Seal, SealLayout
from lots.models.sealed import Written, is_noting, noting

_ROWS_AT_ONCE: Final = 2000


class UnannouncedWriteError(RuntimeError):
    """A service wrote rows of a sealed table past their model, so that no seal covers them."""


@contextmanager
def sealing(before: Head) -> Iterator[None]:
    """Seals what the block writes, under the ledger's lock, before the transaction ends.

    `before` is the head as it was when the lock was taken. Sealed models note what is written
    through them, and the database counts every write: UnannouncedWriteError is raised when it
    counted one that nobody noted. What posts a movement is sealed even when it writes nothing else:
    the seal names the movement, so that it can't be cut off unseen. The first seal of a database
    covers every row it has. A service called by another leaves the sealing to it.
    """
    if is_noting():
        yield
        return
    with noting() as written:
        yield
    head = read_head()
    _check_announced(written, before, head)
    if not head.last_seal:
        _seal(head, _never_sealed())
    else:
        has_posted = head.last_digest != before.last_digest
        _seal(head, _as_they_stand(written.keys), is_due=has_posted)


def _check_announced(written: Written, before: Head, after: Head) -> None:
    """What a savepoint took back is noted and not counted, so fewer writes than noted are right."""
    for table, writes in sorted(after.writes.items()):
        unannounced = writes - before.writes.get(table, 0) - written.writes[table]
        if unannounced > 0:
            raise UnannouncedWriteError(
                f"{table}: {unannounced} of {unannounced + written.writes[table]} writes went past "
                "its model, so nothing is written. Use save, create, bulk_create or update."
            )


def seal_waiting() -> Seal | None:
    """Seals the rows that no request seals: those of late tables, and of tables newly sealed.

    Call it under the ledger's lock.
    """
    return _seal(read_head(), _waiting())


def accept_rows(found: Iterable[tuple[str, int]], reason: str) -> Seal | None:
    """Seals rows as they stand now, by table and key, with a person's reason for all time.

    Call it under the ledger's lock.
    """
    by_table: dict[str, set[int]] = defaultdict(set)
    for name, key in found:
        by_table[name].add(key)
    return _seal(read_head(), _as_they_stand(by_table), reason)


def _as_they_stand(keys: Mapping[str, set[int]]) -> Iterator[tuple[SealedTable, int, str]]:
    for name in sorted(keys):
        table, wanted = sealed_tables()[name], sorted(keys[name])
        for start in range(0, len(wanted), _ROWS_AT_ONCE):
            some = wanted[start : start + _ROWS_AT_ONCE]
            for key, digest in table.digests(f'WHERE "{table.key}" IN {placeholders(some)}', some):
                yield table, key, digest


def _never_sealed() -> Iterator[tuple[SealedTable, int, str]]:
    for _, table in sorted(sealed_tables().items()):
        for key, digest in table.digests(is_long=True):
            yield table, key, digest


def _waiting() -> Iterator[tuple[SealedTable, int, str]]:
    for name, table in sorted(sealed_tables().items()):
        ((last,),) = fetch(
            "SELECT MAX(row_id) FROM lots_sealedrow WHERE layout_id IN "
            "(SELECT id FROM lots_seallayout WHERE table_name = %s)",
            [name],
        )
        if table.is_late or last is None:
            for key, digest in table.digests(
                f'WHERE "{table.key}" > %s', [last or 0], is_long=True
            ):
                yield table, key, digest


def _seal(
    head: Head,
    rows: Iterator[tuple[SealedTable, int, str]],
    reason: str = "",
    *,
    is_due: bool = False,
) -> Seal | None:
    """None when there is no row to seal, unless a seal `is_due` all the same."""
    first = list(islice(rows, 1))
    if not first and not is_due:
        return None
    seal = Seal(
        number=head.last_seal + 1,
        sealed_at=clock.now(),
        ledger_digest=head.last_digest,
        reason=reason,
    )
    digest = SealDigest(
        head.last_seal_digest, seal.number, seal.sealed_at, seal.ledger_digest, reason
    )
    layouts = _Layouts()
    waiting: list[tuple[int, int, int, str]] = []
    # The seal's own row comes last, with the digest over all of these; their foreign key waits.
    for table, key, row_digest in chain(first, rows):
        layout_id = layouts.of(table)
        digest.add(layout_id, key, row_digest)
        waiting.append((seal.number, layout_id, key, row_digest))
        if len(waiting) >= _ROWS_AT_ONCE:
            _write(waiting)
    _write(waiting)
    seal.digest = digest.hexdigest()
    insert_rows(Seal, [seal], with_key=True)
    with connection.cursor() as cursor:
        cursor.execute(
            "UPDATE lots_ledgerhead SET last_seal = %s, last_seal_digest = %s WHERE id = 1",
            [seal.number, seal.digest],
        )
    return seal


def _write(rows: list[tuple[int, int, int, str]]) -> None:
    if not rows:
        return
    with connection.cursor() as cursor:
        cursor.executemany(
            "INSERT INTO lots_sealedrow (seal_id, layout_id, row_id, digest) "
            "VALUES (%s, %s, %s, %s)",
            rows,
        )
    rows.clear()


class _Layouts:
    """The latest layout of each table; a table laid out anew gets one more."""

    def __init__(self) -> None:
        self.latest: dict[str, tuple[int, str]] = {
            name: (pk, columns)
            for pk, name, columns in fetch(
                "SELECT id, table_name, columns FROM lots_seallayout ORDER BY id"
            )
        }

    def of(self, table: SealedTable) -> int:
        pk, columns = self.latest.get(table.name, (0, "[]"))
        if json.loads(columns) != table.names:
            pk = SealLayout.objects.create(table_name=table.name, columns=table.names).pk
            self.latest[table.name] = (pk, json.dumps(table.names))
        return pk
