"""The table by which the estimate of a run is judged; its seeds were fixed before it was tuned."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

LOSSES = ("both", "cathode")
FEEDS = ("assay", "word", "nothing")
EVERY_H = (6.0, 24.0)
SHARES = (0.2, 0.4, 0.6, 0.8, 1.0)
RUNS = 200
FIRST_SEED = 20_310_000
LEFT_OUT_SEED = 20_410_000
ANODE_SEED = 20_510_000
RUNS_LEFT_OUT = 60


@dataclass(frozen=True)
class Cell:
    """One cell of the table: a kind of loss, what is told of the feed, and the seed of its runs."""

    loss: str
    feed: str
    every_h: float
    seed: int


def cells() -> tuple[Cell, ...]:
    """All cells, each with its own seed."""
    return tuple(
        Cell(loss, feed, every_h, FIRST_SEED + 1000 * number)
        for number, (loss, feed, every_h) in enumerate(product(LOSSES, FEEDS, EVERY_H))
    )


def cells_left_out() -> tuple[Cell, ...]:
    """The smaller table for laws that the estimate does not know by name."""
    return tuple(
        Cell(loss, "assay", every_h, LEFT_OUT_SEED + 1000 * number)
        for number, (loss, every_h) in enumerate(product(LOSSES, EVERY_H))
    )
