"""Tries services without writing anything, and without a lock that anybody waits for.

What a service would write is taken as done and goes nowhere, so that its checks run against what
stands on the books. The database itself keeps the transaction from writing: what slipped past the
pretence would be an error and never a row. Nothing sees what another service "wrote" on trial.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from itertools import count
from typing import Any, Final

from django.db import connection, transaction

from lots.codes import NUMBER_MAX
from lots.models.sealed import noting

_WRITES: Final = re.compile(r"(INSERT|UPDATE|DELETE) ")
_LOCKS: Final = re.compile(r"(?<=^BEGIN) IMMEDIATE$| FOR UPDATE( OF \w+)?$")


@contextmanager
def on_trial() -> Iterator[None]:
    """Services called inside check all they check and record nothing; all read one moment."""
    view = "" if connection.in_atomic_block else "ISOLATION LEVEL REPEATABLE READ, "
    with ExitStack() as stack:
        if connection.vendor == "sqlite":
            _run("PRAGMA query_only = ON")
            stack.callback(_run, "PRAGMA query_only = OFF")
        stack.enter_context(connection.execute_wrapper(_Pretence()))
        stack.enter_context(noting())  # and nobody seals what is noted
        stack.enter_context(transaction.atomic())
        if connection.vendor == "postgresql":
            _run(f"SET TRANSACTION {view}READ ONLY")
        yield
        transaction.set_rollback(True)  # so that nothing waits for a commit


def _run(statement: str) -> None:
    with connection.cursor() as cursor:
        cursor.execute(statement)


class _Pretence:
    """Lets statements that read through, without their locks, and answers those that write."""

    def __init__(self) -> None:
        self.numbers = count(1)

    def __call__(
        self, execute: Callable[..., Any], sql: str, params: Any, many: bool, context: Any
    ) -> Any:
        cursor = context["cursor"]
        if isinstance(cursor.cursor, _Answer):
            cursor.cursor = cursor.cursor.real
        if not _WRITES.match(sql):
            return execute(_LOCKS.sub("", sql), params, many, context)
        cursor.cursor = _Answer(cursor.cursor, self._returned(sql, params))
        return None

    def _returned(self, sql: str, params: Any) -> list[tuple[int]]:
        """Keys below zero, which no row has; to an UPDATE, a number that no label bears yet."""
        if " RETURNING " not in sql:
            return []
        if sql.startswith("UPDATE"):
            return [(NUMBER_MAX - next(self.numbers),)]
        rows = len(params[0]) if "UNNEST(" in sql else sql.count("), (") + 1
        return [(-next(self.numbers),) for _ in range(rows)]


class _Answer:
    """Stands in for the driver's cursor after a statement that was not sent."""

    rowcount = 1

    def __init__(self, real: Any, rows: list[tuple[int]]) -> None:
        self.real, self.rows = real, iter(rows)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.real, name)

    def fetchone(self) -> tuple[int] | None:
        return next(self.rows, None)

    def fetchall(self) -> list[tuple[int]]:
        return list(self.rows)
