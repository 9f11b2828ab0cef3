"""What the ledger tells of itself when it is measured: movements by kind, its head, its size."""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

from django.db import connection
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily
from prometheus_client.metrics_core import Metric

from lots.ledger.raw_sql import fetch
from lots.models import LedgerHead
from lots.queries.report_reading import replica_head


@dataclass
class _Counted:
    """Movements by kind up to the one of that sequence and digest."""

    kinds: Counter[str] = field(default_factory=Counter)
    sequence: int = 0
    digest: str = ""


_lock = threading.Lock()
_kept = _Counted()


def tell() -> Iterator[Metric]:
    """Counted in the ledger itself, so that every process tells the same."""
    head = LedgerHead.objects.get(pk=1)
    movements = CounterMetricFamily("ledger_movements", "Movements posted.", labels=["kind"])
    for kind, count in sorted(movements_by_kind(head.last_sequence).items()):
        movements.add_metric([kind], count)
    yield movements
    yield GaugeMetricFamily("ledger_sequence", "Number of the last movement.", head.last_sequence)
    through = replica_head()
    if through is not None:
        what = "Number of the last movement on the replica."
        yield GaugeMetricFamily("ledger_replica_sequence", what, through.sequence)
    yield GaugeMetricFamily("database_bytes", "Size of the database.", database_bytes())


def movements_by_kind(until: int) -> Counter[str]:
    """How many movements of each kind there are up to sequence `until`.

    Movements are never changed, so only those since the last time are counted, as long as the last
    one counted is still there: a restored database starts again from nought.
    """
    with _lock:
        if _digest_of(_kept.sequence) != _kept.digest or until < _kept.sequence:
            _kept.kinds, _kept.sequence, _kept.digest = Counter(), 0, ""
        rows = fetch(
            "SELECT kind, COUNT(*) FROM lots_movement WHERE sequence > %s AND sequence <= %s "
            "GROUP BY kind",
            [_kept.sequence, until],
        )
        _kept.kinds += Counter(dict(rows))
        _kept.sequence, _kept.digest = until, _digest_of(until)
        return Counter(_kept.kinds)


def _digest_of(sequence: int) -> str:
    found = fetch("SELECT digest FROM lots_movement WHERE sequence = %s", [sequence])
    return str(found[0][0]) if found else ""


def database_bytes() -> int:
    """What the database takes on disk, as the engine tells it."""
    if connection.vendor == "postgresql":
        ((size,),) = fetch("SELECT pg_database_size(current_database())")
    else:
        ((size,),) = fetch(
            "SELECT page_count * page_size FROM pragma_page_count(), pragma_page_size()"
        )
    return int(size)
