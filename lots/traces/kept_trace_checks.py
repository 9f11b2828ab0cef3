"""Is what is kept of the traces what the entries give? Every checkpoint is reckoned once more."""

from __future__ import annotations

from collections.abc import Iterator

from lots.models import KeptMixture, Lot, TraceCheckpoint
from lots.traces.kept_traces import Start, changes_since
from lots.traces.trace import Kept
from lots.traces.trace_packing import DamagedError, unpack

Row = dict[str, object]


def kept_apart_from_entries() -> Iterator[Row]:
    """Every lot of which a checkpoint that stands keeps something else than the entries give.

    Each checkpoint is reckoned from the one before, the first from nothing, so a fault shows where
    it is, and no more is held in memory than one step from checkpoint to checkpoint takes.
    """
    base: Start | None = None
    for checkpoint in TraceCheckpoint.objects.filter(is_stale=False).order_by("moment"):
        try:
            due = changes_since(base, checkpoint.moment)
        except DamagedError as damage:
            yield {"at": checkpoint.moment, "problem": f"can't be worked out: {damage}"}
        else:
            yield from _differing(checkpoint, due)
        base = Start(checkpoint)


def _differing(checkpoint: TraceCheckpoint, due: dict[int, Kept]) -> Iterator[Row]:
    kept = dict(KeptMixture.objects.filter(checkpoint=checkpoint).values_list("lot_id", "packed"))
    wrong = [lot for lot in due.keys() | kept.keys() if not _is_kept(kept.get(lot), due.get(lot))]
    codes = dict(Lot.objects.filter(pk__in=wrong).values_list("pk", "code"))
    for lot in sorted(wrong):
        problem = "differs" if lot in kept and lot in due else "missing" if lot in due else "extra"
        yield {"at": checkpoint.moment, "lot": codes.get(lot), "lot_id": lot, "problem": problem}


def _is_kept(packed: str | None, due: Kept | None) -> bool:
    if packed is None or due is None:
        return False
    try:
        return unpack(packed) == due
    except DamagedError:
        return False
