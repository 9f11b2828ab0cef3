"""Reports are read from the replica when there is one that has got far enough, else the books."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from django.db import DatabaseError, connections

from config.replica import REPLICA, has_replica, reading_replica
from lots.models import LedgerHead

logger = logging.getLogger(__name__)


@dataclass(frozen=True)
class ReadThrough:
    """Up to which movement a report's books go, when they may be behind."""

    sequence: int


@contextmanager
def reading_for_report(needed: int = 0) -> Iterator[ReadThrough | None]:
    """Inside, a report is read: from the replica if it has movement `needed` and answers at all.

    Yields None when the books themselves are read.
    """
    through = replica_head()
    if through is None or through.sequence < needed:
        yield None
        return
    with reading_replica():
        yield through


def replica_head() -> ReadThrough | None:
    """How far the replica has got; None without one, or when it does not answer."""
    if not has_replica():
        return None
    try:
        head = LedgerHead.objects.using(REPLICA).get(pk=1)
    except (DatabaseError, LedgerHead.DoesNotExist) as error:
        logger.warning("the replica can't be read: %s", type(error).__name__)
        connections[REPLICA].close()
        return None
    return ReadThrough(head.last_sequence)
