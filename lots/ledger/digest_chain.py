"""Recomputes the chain of digests from the rows as they stand, and tells where it breaks."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from typing import Any, Final

from lots.ledger.digests import (
    CLAIM_COLUMNS,
    ENTRY_COLUMNS,
    FIRST_DIGEST,
    MATERIAL_COLUMNS,
    MOVEMENT_COLUMNS,
    STANDING_COLUMNS,
    Row,
    chained_digest,
)
from lots.models import ClaimEntry, Entry, LotStanding, MaterialEntry, Movement

MOVEMENTS_AT_ONCE: Final = 2000

_LINES: Final[tuple[tuple[str, type[Any], tuple[str, ...]], ...]] = (
    ("entries", Entry, ENTRY_COLUMNS),
    ("claims", ClaimEntry, CLAIM_COLUMNS),
    ("materials", MaterialEntry, MATERIAL_COLUMNS),
    ("standings", LotStanding, STANDING_COLUMNS),
)


def broken_links() -> Iterator[dict[str, object]]:
    """Each movement whose stored digest is not the one its rows and the digest before it give.

    The chain goes on from the stored digest, so one changed row is one finding. Memory holds
    `MOVEMENTS_AT_ONCE` movements whatever the length of the history.
    """
    previous, last_sequence = FIRST_DIGEST, None
    while True:
        movements = list(_movements_after(last_sequence))
        if not movements:
            return
        lines = _lines_of([pk for pk, *_ in movements])
        for pk, stored, *values in movements:
            digest = chained_digest(
                previous,
                values,
                **{name: rows.get(pk, ()) for name, rows in lines.items()},
            )
            if digest != stored:
                yield {
                    "movement_id": pk,
                    "sequence": values[0],
                    "digest": stored,
                    "expected_digest": digest,
                }
            previous, last_sequence = stored, values[0]


def _movements_after(sequence: int | None) -> Iterator[tuple[Any, ...]]:
    rows = Movement.objects.order_by("sequence")
    if sequence is not None:
        rows = rows.filter(sequence__gt=sequence)
    yield from rows.values_list("id", "digest", *MOVEMENT_COLUMNS)[:MOVEMENTS_AT_ONCE]


def _lines_of(movement_ids: list[int]) -> dict[str, dict[int, list[Row]]]:
    """Every line of these movements, by kind of line and movement, in the order written.

    Asked for by range, which an index answers at once; ids run with the sequence, so hardly a row
    outside the batch is read.
    """
    wanted = set(movement_ids)
    found: dict[str, dict[int, list[Row]]] = {}
    for name, model, columns in _LINES:
        by_movement: dict[int, list[Row]] = defaultdict(list)
        found[name] = by_movement
        rows = model.objects.filter(
            movement_id__gte=min(wanted), movement_id__lte=max(wanted)
        ).order_by("movement_id", "id")
        for movement_id, *values in rows.values_list("movement_id", *columns).iterator(5000):
            if movement_id in wanted:
                by_movement[movement_id].append(values)
    return found
