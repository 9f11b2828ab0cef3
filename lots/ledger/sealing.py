"""Seals the facts that a request wrote, so that a byte changed afterwards is found by its row."""

from __future__ import annotations

import json
import re
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from itertools import chain, islice
from typing import Any, Final

from django.db import connection

from lots import clock
from lots.keeping.sealed_tables import SealedTable, sealed_tables
from lots.ledger.raw_sql import fetch, placeholders
from lots.ledger.row_writer import insert_rows
from lots.ledger.seal_digests import SealDigest
from lots.models import LedgerHead, Movement, Seal, SealLayout

_STATEMENT: Final = re.compile(r'(INSERT INTO|UPDATE) "(\w+)" ')
_SET_COLUMN: Final = re.compile(r'"(\w+)" = ')
_ROWS_AT_ONCE: Final = 2000
_watching: ContextVar[bool] = ContextVar("_watching", default=False)


class _Watch:
    """Notes, while statements run, which sealed rows they add and change."""

    def __init__(self) -> None:
        self.tables = sealed_tables()
        self.floors: dict[str, int] = {}
        self.changed: dict[str, set[int]] = defaultdict(set)
        self.has_posted = False

    def __call__(
        self, execute: Callable[..., Any], sql: str, params: Any, many: bool, context: Any
    ) -> Any:
        found = _STATEMENT.match(sql)
        table = self.tables.get(found[2]) if found else None
        self.has_posted |= found is not None and found[2] == Movement._meta.db_table
        if found and table is not None and not table.is_late:
            if found[1] == "UPDATE":
                self._note_update(table, sql, params)
            elif table.name not in self.floors:
                self.floors[table.name] = table.last_key()
        return execute(sql, params, many, context)

    def _note_update(self, table: SealedTable, sql: str, params: Any) -> None:
        change, _, condition = sql.partition(" WHERE ")
        if not set(_SET_COLUMN.findall(change)) & set(table.names):
            return
        assert condition, "every row of a sealed table at once is never changed"
        given = list(params)[-condition.count("%s") :]
        if condition.strip("()") == f'"{table.name}"."{table.key}" = %s':
            self.changed[table.name].add(given[0])
        else:
            keys = fetch(f'SELECT "{table.key}" FROM "{table.name}" WHERE {condition}', given)
            self.changed[table.name] |= {key for (key,) in keys}

    def rows(self) -> Iterator[tuple[SealedTable, int, str]]:
        """Key and digest of every row added or changed."""
        for name in sorted(set(self.floors) | set(self.changed)):
            table = self.tables[name]
            conditions, given = [], []
            if name in self.floors:
                conditions.append(f'"{table.key}" > %s')
                given.append(self.floors[name])
            if self.changed[name]:
                keys = sorted(self.changed[name])
                conditions.append(f'"{table.key}" IN {placeholders(keys)}')
                given += keys
            if not conditions:
                continue
            for key, digest in table.digests("WHERE " + " OR ".join(conditions), given):
                yield table, key, digest


@contextmanager
def sealing(head: LedgerHead) -> Iterator[None]:
    """Seals what the block writes, under the ledger's lock, before the transaction ends.

    What posts a movement is sealed even when it writes nothing else: the seal names the movement,
    so that it can't be cut off unseen. The first seal of a database covers every row it has. A
    service called by another leaves the sealing to it.
    """
    if _watching.get():
        yield
        return
    watch = _Watch()
    with unsealed(), connection.execute_wrapper(watch):
        yield
    if not head.last_seal:
        _seal(_never_sealed())
    elif watch.floors or watch.changed or watch.has_posted:
        _seal(watch.rows(), is_due=watch.has_posted)


@contextmanager
def unsealed() -> Iterator[None]:
    """Services called inside leave the sealing to whoever called them."""
    token = _watching.set(True)
    try:
        yield
    finally:
        _watching.reset(token)


def seal_waiting() -> Seal | None:
    """Seals the rows that no request seals: those of late tables, and of tables newly sealed.

    Call it under the ledger's lock.
    """
    return _seal(_waiting())


def accept_rows(found: Iterable[tuple[str, int]], reason: str) -> Seal | None:
    """Seals rows as they stand now, by table and key, with a person's reason for all time.

    Call it under the ledger's lock.
    """
    by_table: dict[str, list[int]] = defaultdict(list)
    for name, key in found:
        by_table[name].append(key)
    return _seal(_as_they_stand(by_table), reason)


def _as_they_stand(keys: dict[str, list[int]]) -> Iterator[tuple[SealedTable, int, str]]:
    for name in sorted(keys):
        table = sealed_tables()[name]
        for start in range(0, len(keys[name]), _ROWS_AT_ONCE):
            some = keys[name][start : start + _ROWS_AT_ONCE]
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
    rows: Iterator[tuple[SealedTable, int, str]], reason: str = "", *, is_due: bool = False
) -> Seal | None:
    """None when there is no row to seal, unless a seal `is_due` all the same."""
    first = list(islice(rows, 1))
    if not first and not is_due:
        return None
    ((number, previous, ledger_digest),) = fetch(
        "SELECT last_seal, last_seal_digest, last_digest FROM lots_ledgerhead WHERE id = 1"
    )
    seal = Seal(
        number=number + 1, sealed_at=clock.now(), ledger_digest=ledger_digest, reason=reason
    )
    digest = SealDigest(previous, seal.number, seal.sealed_at, ledger_digest, reason)
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
        self.latest: dict[str, tuple[int, list[str]]] = {
            name: (pk, json.loads(columns))
            for pk, name, columns in fetch(
                "SELECT id, table_name, columns FROM lots_seallayout ORDER BY id"
            )
        }

    def of(self, table: SealedTable) -> int:
        pk, columns = self.latest.get(table.name, (0, []))
        if columns != table.names:
            pk = SealLayout.objects.create(table_name=table.name, columns=table.names).pk
            self.latest[table.name] = (pk, table.names)
        return pk
