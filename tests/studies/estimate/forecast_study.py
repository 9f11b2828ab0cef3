"""How far off is the foretold end of a run, beside two plain ways of foretelling it?

The plain ways know as much of the anode as the estimate is told: its mass and its silver, the rest
taken as copper. One holds the last current; the other fits 1/current as a line in the charge.

Run `python -m tests.studies.estimate.forecast_study [runs a cell]`.
"""

from __future__ import annotations

import sys

import numpy as np

from cells.estimate.answers import estimate, range_of
from cells.estimate.facts import RunFacts
from tests.studies.estimate.cell_runs import LAWS, LAWS_LEFT_OUT, MOL_PER_AH
from tests.studies.estimate.coverage_study import runs_of
from tests.studies.estimate.named_table import RUNS, Cell, cells, cells_left_out
from tests.studies.estimate.told import facts_of

SILVER, COPPER = 107.8682, 63.546


def whole_ah(facts: RunFacts) -> float:
    """What the anode passes if the charge all dissolves it."""
    told = facts.feed.told
    silver = told["Ag"].value if "Ag" in told else 0.9
    copper = told["Cu"].value if "Cu" in told else 1.0 - silver
    return facts.anode_g * (silver / SILVER + 2 * copper / COPPER) / MOL_PER_AH


def plain_ends(facts: RunFacts) -> tuple[float, float]:
    """The end by the last current, and by 1/current against charge, hours."""
    hours, current = np.asarray(facts.hours), np.asarray(facts.current_a)
    passed = np.concatenate([[0.0], np.cumsum(np.diff(hours) * (current[1:] + current[:-1]) / 2)])
    now_h, now_ah = facts.now_h, passed[-1] + current[-1] * (facts.now_h - hours[-1])
    left_ah = max(whole_ah(facts) - now_ah, 0.0)
    held = now_h + left_ah / current[-1]
    if len(hours) < 2:
        return held, held
    slope, at_zero = np.polyfit(passed, 1.0 / current, 1)
    # The time is the integral of 1/current over the charge that is left.
    ahead = left_ah * (at_zero + slope * (now_ah + left_ah / 2))
    return held, now_h + (ahead if ahead > 0.0 else left_ah / current[-1])


def errors(chosen: tuple[Cell, ...], laws: tuple[str, ...], count: int) -> np.ndarray:
    """Relative errors of the end: the estimate's, by the last current, by 1/current; then the
    estimate's of the time to nine tenths, one row for each run and share of its length."""
    rows = []
    for cell in chosen:
        for run in runs_of(cell, laws, count):
            for share in (0.2, 0.4):
                facts = facts_of(run, cell.every_h, share)
                found = estimate(facts)
                ends = (range_of(found.end_h).value, *plain_ends(facts))
                nine = range_of(found.dissolved_h(0.9)).value
                rows.append(
                    [
                        *(abs(end - run.end_h) / run.end_h for end in ends),
                        abs(nine - run.nine_tenths_h) / run.nine_tenths_h,
                    ]
                )
    return np.array(rows)


def main(count: int) -> None:
    """Prints median errors and their ratios."""
    for name, chosen, laws in (
        ("laws in the set", cells(), tuple(LAWS)),
        ("laws left out", cells_left_out(), tuple(LAWS_LEFT_OUT)),
    ):
        ours, held, line, nine = np.median(errors(chosen, laws, count), axis=0)
        sys.stdout.write(
            f"{name}: end {ours:.3f} of its length; {ours / held:.2f} of holding the current, "
            f"{ours / line:.2f} of 1/current against charge; nine tenths {nine:.3f}\n"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else RUNS)
