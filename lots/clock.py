"""What time it is. One place, so that a history can be written as it would have happened."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

from django.utils import timezone

_set_to: ContextVar[dt.datetime | None] = ContextVar("clock", default=None)


def now() -> dt.datetime:
    """The present moment, aware, in UTC."""
    return _set_to.get() or timezone.now()


@contextmanager
def at(moment: dt.datetime) -> Iterator[None]:
    """Holds the clock at `moment`: for the demo's history, imports of history, and tests."""
    token = _set_to.set(moment.astimezone(dt.UTC))
    try:
        yield
    finally:
        _set_to.reset(token)
