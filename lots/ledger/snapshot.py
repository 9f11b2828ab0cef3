"""One unmoving view of the database for a long read, without holding anyone up."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from functools import wraps
from typing import ParamSpec, TypeVar

from config.replica import reading_connection

P = ParamSpec("P")
R = TypeVar("R")
# The databases of which this thread has an unmoving view already.
_viewed: ContextVar[frozenset[str]] = ContextVar("viewed", default=frozenset())


@contextmanager
def snapshot() -> Iterator[None]:
    """Everything read inside is as of one moment; writers go on meanwhile.

    Inside a transaction or a view already begun this changes nothing. SQLite is asked for a
    deferred transaction, because `transaction.atomic` would take the writer's lock.
    """
    connection = reading_connection()
    if connection.in_atomic_block or connection.alias in _viewed.get():
        yield
        return
    begin = "BEGIN DEFERRED"
    if connection.vendor == "postgresql":
        begin = "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY"
    with connection.cursor() as cursor:
        cursor.execute(begin)
    token = _viewed.set(_viewed.get() | {connection.alias})
    try:
        yield
    finally:
        _viewed.reset(token)
        with connection.cursor() as cursor:
            cursor.execute("ROLLBACK")


def unmoving(query: Callable[P, R]) -> Callable[P, R]:
    """Makes a query of several statements read all of them as of one moment."""

    @wraps(query)
    def read(*args: P.args, **kwargs: P.kwargs) -> R:
        with snapshot():
            return query(*args, **kwargs)

    return read
