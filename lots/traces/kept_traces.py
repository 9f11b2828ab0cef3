"""The traces kept: which stand, and where lots stood at one of them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterator
from dataclasses import dataclass

from django.db.models import Max

from lots.ledger.holdings import AsOf
from lots.models import KeptMixture, TraceCheckpoint
from lots.traces.linked_movements import BATCH, TICK, held_before, stream_steps
from lots.traces.trace import Kept, mix
from lots.traces.trace_packing import DamagedError, unpack
from lots.traces.trace_steps import lots_in


@dataclass(frozen=True)
class Start:
    """Where a trace begins that need not begin with the books: the moment, and what is kept."""

    checkpoint: TraceCheckpoint

    @property
    def since(self) -> dt.datetime:
        """The first moment that is not kept."""
        return self.checkpoint.moment + TICK

    def kept(self, lots: Collection[int] | None = None) -> dict[int, Kept]:
        """Where the lots (or all) stood; lots that had nothing are absent.

        Raises DamagedError when it can't be read, or the entries say that the lots held something
        else then: what is kept is worth nothing without its entries.
        """
        found = {lot: unpack(packed) for lot, packed in _packed(self.checkpoint, lots)}
        kept_ug: dict[str, dict[int, int]] = {}
        for lot, (contents, _) in found.items():
            for metal, mixture in contents.items():
                kept_ug.setdefault(metal, {})[lot] = sum(mixture.values())
        if kept_ug != held_before(lots, AsOf(), self.since):
            raise DamagedError("the lots held something else by their entries")
        return found


def start_for(as_of: AsOf, before: dt.datetime | None = None) -> Start | None:
    """The latest checkpoint that stands and says nothing the books did not say as of then.

    With `before`, it lies before that moment.
    """
    standing = TraceCheckpoint.objects.filter(is_stale=False)
    if as_of.occurred is not None:
        standing = standing.filter(moment__lte=as_of.occurred)
    if as_of.recorded is not None:
        standing = standing.filter(recorded_until__lte=as_of.recorded)
    if before is not None:
        standing = standing.filter(moment__lt=before)
    checkpoint = standing.order_by("-moment").first()
    return None if checkpoint is None else Start(checkpoint)


def last_kept() -> TraceCheckpoint | None:
    """The latest checkpoint that stands."""
    return TraceCheckpoint.objects.filter(is_stale=False).order_by("-moment").first()


def changes_since(base: Start | None, moment: dt.datetime) -> dict[int, Kept]:
    """Where each lot that changed after `base` (or ever) stands at `moment`: what is to be kept.

    Raises DamagedError when what is kept at `base` can't be gone on from.
    """
    steps = list(stream_steps(AsOf(moment), None if base is None else base.since))
    touched = {lot for step in steps for lot in lots_in(step)}
    before = {} if base is None else base.kept(touched)
    mixing = mix(steps, None, before, tells_gone=False)
    after = {lot: mixing.of_lot(lot) for lot in touched}
    nothing = Kept({}, {})
    return {lot: kept for lot, kept in after.items() if kept != before.get(lot, nothing)}


def _packed(checkpoint: TraceCheckpoint, lots: Collection[int] | None) -> Iterator[tuple[int, str]]:
    """Each lot's latest row at the checkpoint. Checkpoints are only ever added at the end."""
    rows = KeptMixture.objects.filter(
        checkpoint__is_stale=False, checkpoint__moment__lte=checkpoint.moment
    )
    batches: list[list[int] | None] = [None]
    if lots is not None:
        ordered = sorted(lots)
        batches = [ordered[start : start + BATCH] for start in range(0, len(ordered), BATCH)]
    for batch in batches:
        of_batch = rows if batch is None else rows.filter(lot_id__in=batch)
        latest = of_batch.order_by().values("lot_id").annotate(last=Max("pk")).values("last")
        found = KeptMixture.objects.filter(pk__in=latest).order_by()
        yield from found.values_list("lot_id", "packed")
