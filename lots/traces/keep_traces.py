"""Keeps where every lot stands in the traces, a checkpoint after every so many movements.

A cache that the entries fill: nothing of it is a fact, and no posting waits for it to be made.
"""

from __future__ import annotations

import datetime as dt
import logging
from dataclasses import dataclass
from typing import Final

from django.db import transaction

from lots import clock
from lots.ledger.recording import lock_ledger
from lots.ledger.row_writer import insert_rows
from lots.ledger.snapshot import snapshot
from lots.models import KeptMixture, LedgerHead, Movement, TraceCheckpoint
from lots.traces.kept_traces import Start, changes_since, last_kept
from lots.traces.trace_packing import DamagedError, pack

# A trace replays at most so many movements, beside those that are too fresh to be kept.
MOVEMENTS_A_CHECKPOINT: Final = 1000
# What happened is often written down later the same day; keeping would begin again each time.
FRESH: Final = dt.timedelta(days=1)
# How often a posting sees to it, after its own transaction, and how many it makes at most.
POSTINGS_A_LOOK: Final = 100
MADE_A_LOOK: Final = 2
# Rows of stale checkpoints taken away at a time.
STALE_ROWS_MAX: Final = 5000

logger = logging.getLogger(__name__)


@dataclass(frozen=True)
class _Reckoned:
    """A checkpoint to be, and the head of the books it was reckoned from."""

    base_id: int | None
    checkpoint: TraceCheckpoint
    packed: dict[int, str]


def keep_traces(*, at_most: int | None = None) -> int:
    """Makes the checkpoints that are due, in the order of time, and says how many it made.

    The ledger's lock is held only while one is written, not while it is reckoned.
    """
    made = 0
    _sweep()
    while at_most is None or made < at_most:
        base = last_kept()
        try:
            with snapshot():
                reckoned = _reckon(base, clock.now() - FRESH)
        except DamagedError:
            assert base is not None
            logger.exception("Dropped, to be made again: %s.", base)
            mark_stale(base.moment)
            continue
        if reckoned is None or not _write(reckoned):
            break
        made += 1
    return made


def forget_traces() -> None:
    """Throws away all that is kept."""
    TraceCheckpoint.objects.update(is_stale=True)
    _sweep()


def look_after(movement: Movement) -> None:
    """Has checkpoints made once in a while, after the transaction that posted this movement."""
    if movement.sequence % POSTINGS_A_LOOK == 0:
        transaction.on_commit(_look, robust=True)


def mark_stale(moment: dt.datetime) -> None:
    """What is kept of that moment or later no longer stands: something is posted there."""
    TraceCheckpoint.objects.filter(is_stale=False, moment__gte=moment).update(is_stale=True)


def _look() -> None:
    keep_traces(at_most=MADE_A_LOOK)


def _reckon(base: TraceCheckpoint | None, until: dt.datetime) -> _Reckoned | None:
    """The next checkpoint after the last that stands, when it is due.

    Raises DamagedError when the last can't be gone on from.
    """
    head = LedgerHead.objects.get(pk=1)
    start = None if base is None else Start(base)
    since = None if start is None else start.since
    coming = Movement.objects.filter(occurred_at__lte=until)
    if since is not None:
        coming = coming.filter(occurred_at__gte=since)
    moments = coming.order_by("occurred_at").values_list("occurred_at", flat=True)
    moment = moments[MOVEMENTS_A_CHECKPOINT - 1 : MOVEMENTS_A_CHECKPOINT].first()
    if moment is None:
        return None
    assert head.last_recorded_at is not None
    return _Reckoned(
        None if base is None else base.pk,
        TraceCheckpoint(
            moment=moment,
            last_sequence=head.last_sequence,
            recorded_until=head.last_recorded_at,
            made_at=clock.now(),
        ),
        {lot: pack(kept) for lot, kept in changes_since(start, moment).items()},
    )


def _write(reckoned: _Reckoned) -> bool:
    """Whether it could be written: not when the books before it changed while it was reckoned."""
    checkpoint = reckoned.checkpoint
    with transaction.atomic():
        lock_ledger()
        base = last_kept()
        if (base.pk if base is not None else None) != reckoned.base_id:
            return False
        if Movement.objects.filter(
            sequence__gt=checkpoint.last_sequence, occurred_at__lte=checkpoint.moment
        ).exists():
            return False
        checkpoint.save(force_insert=True)
        insert_rows(
            KeptMixture,
            [
                KeptMixture(checkpoint=checkpoint, lot_id=lot, packed=packed)
                for lot, packed in sorted(reckoned.packed.items())
            ],
        )
    return True


def _sweep() -> None:
    """Takes away rows of stale checkpoints, no more at once than writers can wait for."""
    stale = KeptMixture.objects.filter(checkpoint__is_stale=True).order_by("pk")
    while batch := list(stale.values_list("pk", flat=True)[:STALE_ROWS_MAX]):
        KeptMixture.objects.filter(pk__in=batch).delete()
    TraceCheckpoint.objects.filter(is_stale=True, mixtures__isnull=True).delete()
