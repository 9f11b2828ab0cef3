"""The carried history as rows of a database, written in bulk. For benchmarks only."""

from __future__ import annotations

import datetime as dt
from types import SimpleNamespace
from typing import Final

from django.db import transaction

from tests.bench.carried_history import CarriedHistory
from tests.bench.history import History, Lines

# What a movement is called does not matter to a trace.
KIND: Final = "blend"


def write_carried(
    carried: CarriedHistory, works: SimpleNamespace, until: dt.datetime
) -> dict[int, int]:
    """Writes every movement of the history up to `until`; the primary key of each of its lots.

    `keys[number]` is the lot that the history calls `number`.
    """
    history = History(works, until, len(carried.steps) // 8 + 1, seed=1)
    keys: dict[int, int] = {}
    with transaction.atomic():
        for step in carried.steps:
            lines = Lines()
            for holder, metal, ug in step.lines:
                if isinstance(holder, str):
                    where = history.outside(holder, works.house, "measured")
                else:
                    if holder not in keys:
                        keys[holder] = history.lot("feed", works.house, "available", "declared")
                        standing = history.standing(keys[holder], "feed-shelf", works.house)
                        lines.standings.append(standing)
                    where = history.inside(keys[holder], works.house)
                lines.entries.append({**where, "metal": metal, "mass_ug": ug})
            history.movement(KIND, "cell", lines)
        history.finish()
    return keys
