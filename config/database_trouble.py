"""What a database's own trouble means to the person who asked: come again, or make room first.

And the few troubles that pass by themselves: those are tried again here, a bounded number of times.
"""

from __future__ import annotations

import logging
import re
from collections.abc import Callable
from typing import Final, TypeVar

from django.db import DatabaseError, DataError, OperationalError, connection

from config.refusals import ConflictError, RefusalError, refuse

logger = logging.getLogger(__name__)

T = TypeVar("T")

_UNHELD: Final = re.compile("\0|[0-9]{19}")
TRIES_MAX: Final = 3
# PostgreSQL: serialization_failure, deadlock_detected. Nothing was written; the same may work now.
_PASSING: Final = {"40001", "40P01"}
_FULL_STATES: Final = {"53100"}  # disk_full
# SQLite says so in words; a file that may not grow any further is an "I/O error" to it.
_FULL_WORDS: Final = ("disk is full", "no space left", "disk i/o error")


def refusal_of_database(error: DatabaseError) -> RefusalError | None:
    """The refusal to show for a database error; None when it is a mistake of the program."""
    if is_guard(error):
        return guard_refusal(error)
    if not isinstance(error, OperationalError):
        return None
    logger.warning("database trouble: %s", error)
    if _state(error) in _FULL_STATES or any(word in str(error).lower() for word in _FULL_WORDS):
        return refuse("storage_full")
    return refuse("busy")


def names_nothing(error: BaseException, address: str) -> bool:
    """Whether the error is that an address asks for what no column can hold.

    PostgreSQL refuses to look for a NUL, and both for a number of more than eight bytes.
    """
    return isinstance(error, DataError | OverflowError) and bool(_UNHELD.search(address))


def guard_refusal(error: DatabaseError) -> ConflictError:
    """The refusal to show for what a database trigger turned down."""
    text = str(error)
    code = "month_closed" if "closed month" in text else "append_only"
    return ConflictError(
        text.splitlines()[0], code=code, remedy="Record a reversal in the open month instead."
    )


def is_guard(error: DatabaseError) -> bool:
    return "append-only" in str(error) or "closed month" in str(error)


def tried_again(act: Callable[[], T]) -> T:
    """`act()`, tried up to `TRIES_MAX` times while what stops it is a trouble that passes.

    Inside a transaction it is tried once: what went before has been lost with it.
    """
    for _ in range(TRIES_MAX - 1):
        try:
            return act()
        except OperationalError as error:
            if connection.in_atomic_block or _state(error) not in _PASSING:
                raise
            logger.warning("tried again after: %s", error)
    return act()


def _state(error: DatabaseError) -> str | None:
    """PostgreSQL's own code of the error (SQLSTATE), if it has one."""
    state = getattr(error.__cause__, "sqlstate", None)
    return state if isinstance(state, str) else None
