"""How often do the estimate's 95 % intervals hold the truth, and how wide are they?

Run `python -m tests.studies.estimate.coverage_study [runs a cell]`; tables go to standard output.
"""

from __future__ import annotations

import sys
import time
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

from cells.estimate.answers import Estimate, estimate, range_of
from tests.studies.estimate.cell_runs import LAWS, LAWS_LEFT_OUT, Run, simulate
from tests.studies.estimate.named_table import (
    RUNS,
    RUNS_LEFT_OUT,
    SHARES,
    Cell,
    cells,
    cells_left_out,
)
from tests.studies.estimate.told import More, facts_of, truths

# Half-widths are relative to these: the run's length for times, the truth for everything else.
TIMES = ("end", "nine_tenths")


@dataclass
class Scores:
    """Of one cell and stage: whether each interval held, its half-width, and the middle's error."""

    held: dict[str, list[bool]] = field(default_factory=lambda: defaultdict(list))
    width: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    error: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    seconds: list[float] = field(default_factory=list)

    def add(self, other: Scores) -> None:
        """Takes another's in."""
        for name in ("held", "width", "error"):
            for key, values in getattr(other, name).items():
                getattr(self, name)[key] += values
        self.seconds += other.seconds


def answers_of(found: Estimate, hours: float) -> dict[str, np.ndarray]:
    """The draws of everything that is asked."""
    now = found.at(hours)
    course = found.course
    end = found.at_end()
    return {
        "charge": now.charge_ah[:, 0],
        "copper": now.copper_g[:, 0],
        "plated": now.plated_g[:, 0],
        "silver": now.silver_g[:, 0],
        "volume": now.volume_l[:, 0],
        "palladium": now.palladium_g[:, 0],
        "harvest": end.plated_g[:, 0],
        "gold_in_bag": now.slimes_g["Au"][:, 0],
        "end": np.asarray(found.end_h),
        "nine_tenths": np.asarray(found.dissolved_h(0.9)),
        "laws": course.hours[:, -1],
    }


def score(run: Run, every_h: float, share: float, more: More, scores: Scores) -> None:
    """Scores one run at one share of its length."""
    facts = facts_of(run, every_h, share, more)
    begun = time.process_time()
    found = estimate(facts)
    drawn = answers_of(found, facts.now_h)
    scores.seconds.append(time.process_time() - begun)
    for name, truth in truths(run, facts.now_h).items():
        if share >= 1.0 and name in TIMES:
            continue
        made = range_of(drawn[name])
        unit = run.end_h if name in TIMES else truth
        scores.held[name].append(made.low <= truth <= made.high)
        scores.width[name].append(0.5 * (made.high - made.low) / unit)
        scores.error[name].append(abs(made.value - truth) / unit)


def runs_of(cell: Cell, laws: Sequence[str], count: int) -> Iterable[Run]:
    """The runs of one cell of the table."""
    for number in range(count):
        rng = np.random.default_rng(cell.seed + number)
        yield simulate(rng, loss=cell.loss, feed=cell.feed, law=laws[number % len(laws)])


def table(
    chosen: Sequence[Cell],
    laws: Sequence[str],
    count: int,
    stages: Sequence[tuple[str, float, More]],
) -> dict[tuple[Cell, str], Scores]:
    """Scores by cell and stage."""
    found: dict[tuple[Cell, str], Scores] = defaultdict(Scores)
    for cell in chosen:
        for run in runs_of(cell, laws, count):
            for name, share, more in stages:
                score(run, cell.every_h, share, more, found[cell, name])
    return found


def pooled(found: dict[tuple[Cell, str], Scores], stage: str = "", feed: str = "") -> Scores:
    """All cells together, of one stage or feed if asked."""
    whole = Scores()
    for (cell, name), scores in found.items():
        if (not stage or name == stage) and (not feed or cell.feed == feed):
            whole.add(scores)
    return whole


def line(name: str, scores: Scores) -> str:
    """Coverage and median half-width in per cent, by quantity."""
    parts = [
        f"{key} {100 * np.mean(values):.0f}/{100 * np.median(scores.width[key]):.1f}"
        for key, values in scores.held.items()
    ]
    return f"{name:28s} " + "  ".join(parts)


PLAIN = [(f"{100 * share:.0f} %", share, More()) for share in SHARES]
WEIGHED = [("weighed", 1.0, More(weighed=True))]
WITH_MORE = [
    ("60 % assay", 0.6, More(assay=True)),
    ("60 % past", 0.6, More(past=True)),
    ("60 % past, remnant", 0.6, More(past=True, remnant=True)),
]


def main(count: int, count_left_out: int) -> None:
    """Prints the tables."""
    write = sys.stdout.write
    stages = [*PLAIN, *WEIGHED, *WITH_MORE]
    found = table(cells(), tuple(LAWS), count, stages)
    write(line("pooled", pooled(found)) + "\n")
    for name, _, _ in stages:
        for feed in ("", "assay", "word", "nothing"):
            write(line(f"{name} {feed}", pooled(found, name, feed)) + "\n")
    low = [
        (float(np.mean(values)), cell, name, key)
        for (cell, name), scores in found.items()
        for key, values in scores.held.items()
    ]
    for share, cell, name, key in sorted(low, key=lambda each: each[0])[:25]:
        if share < 0.93:
            write(f"low {100 * share:.0f} %: {key} {name} {cell}\n")
    middle, most = np.quantile(pooled(found).seconds, [0.5, 0.95])
    write(f"processor time: median {middle:.3f} s, 95 % {most:.3f} s\n")
    left_out = table(cells_left_out(), tuple(LAWS_LEFT_OUT), count_left_out, PLAIN)
    for name, _, _ in PLAIN:
        write(line(f"laws left out, {name}", pooled(left_out, name)) + "\n")


if __name__ == "__main__":
    asked = [int(word) for word in sys.argv[1:]]
    main(asked[0] if asked else RUNS, asked[-1] if asked else RUNS_LEFT_OUT)
