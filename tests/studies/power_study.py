"""How often is a planted gross error found, named rightly, or cried for nothing?

Synthetic months, all invented, of a small works: lots from receipt to fine bar, one mass of silver
a stream. The error falls on any checked measurement alike, those included that are checked only by
much vaguer ones and in which no test can find it. Coverage is that of the intervals with the error
left in, so it must fall as the error grows; the row without error is the one to hold to 95 %.

Run `python -m tests.studies.power_study [months] [seed]`; the table goes to standard output. The
same study in small is a test beside it.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array

from reports.statistics.covariance import factor_from_sd
from reports.statistics.observability import Standing
from reports.statistics.reconcile import Reconciliation, reconcile
from reports.statistics.suspects import find_suspects

MONTHS = 400
SEED = 1_824
SIZES = (3.0, 5.0, 10.0)

# Stations of the month; every stream is one movement of silver between them (None = outside).
STREAMS = (
    (None, "feed store"), (None, "feed store"), (None, "feed store"),
    ("feed store", "melt"), ("feed store", "melt"), ("melt", "north charge"),
    ("melt", "south charge"), ("melt", "samples"), ("samples", None),
    ("north charge", "north cell"), ("south charge", "south cell"),
    ("north cell", "north harvest"), ("south cell", "south harvest"),
    ("north cell", "slimes"), ("south cell", "slimes"), ("north cell", "remnant"),
    ("south cell", "remnant"), ("remnant", "melt"), ("slimes", None),
    ("north harvest", "dryer"), ("south harvest", "dryer"), ("dryer", "fine melt"),
    ("fine melt", "fine store"), ("fine store", None), ("fine store", None),
)  # fmt: skip
TRUE_G = (
    4200, 3100, 2700, 5200, 4800, 6000, 4890, 10, 10, 6000, 4890, 5000, 4050, 150, 130, 850, 710,
    900, 280, 5000, 4050, 9050, 9050, 5000, 4050,
)  # fmt: skip
UNMEASURED = (7, 13, 21)


@dataclass(frozen=True)
class Tally:
    """Shares over the months; `right` and `right_or_equivalent` are out of all months."""

    size: float
    months: int
    global_alarm: float
    named_any: float
    right: float
    right_or_equivalent: float
    coverage: float


def network() -> tuple[csr_array, np.ndarray, np.ndarray]:
    """Balances, true flows in grams that meet them, and standard uncertainties in grams."""
    nodes = sorted({node for ends in STREAMS for node in ends if node})
    matrix = np.zeros((len(nodes), len(STREAMS)))
    for column, (start, end) in enumerate(STREAMS):
        if start:
            matrix[nodes.index(start), column] -= 1
        if end:
            matrix[nodes.index(end), column] += 1
    sketch = np.array(TRUE_G, dtype=float)
    # The sketched flows are brought into balance; how closely does not matter to the study.
    true = sketch - matrix.T @ np.linalg.lstsq(matrix @ matrix.T, matrix @ sketch, rcond=None)[0]
    return csr_array(matrix), true, 0.5 + 0.002 * np.abs(true)


def study(size: float, months: int, seed: int) -> Tally:
    """Plant one error of `size` standard uncertainties in a checked measurement each month."""
    generator = np.random.default_rng([seed, int(10 * size)])
    matrix, true, sd = network()
    target, factor = np.zeros(matrix.shape[0]), factor_from_sd(sd)
    alarms = named = right = alike = covered = intervals = 0
    for _ in range(months):
        values = true + sd * generator.standard_normal(len(true))
        values[list(UNMEASURED)] = np.nan
        place = int(generator.choice(_checked(matrix, values)))
        values[place] += generator.choice((-1, 1)) * size * sd[place]
        result = reconcile(matrix, target, values, factor)
        doubt = find_suspects(result)
        alarms += doubt.global_failed
        named += bool(doubt.suspects)
        if doubt.suspects:
            first = doubt.suspects[0]
            right += first.index == place
            alike += place in {first.index, *(index for index, _ in first.equivalent)}
        hits, count = _covered(result, true)
        covered, intervals = covered + hits, intervals + count
    return Tally(
        size, months, alarms / months, named / months, right / months, alike / months,
        covered / intervals,
    )  # fmt: skip


def _checked(matrix: csr_array, values: np.ndarray) -> np.ndarray:
    if not _CHECKED:
        found = reconcile(
            matrix, np.zeros(matrix.shape[0]), values, factor_from_sd(np.ones(len(values)))
        )
        standing = found.observability.standing
        _CHECKED.extend(i for i, s in enumerate(standing) if s is Standing.REDUNDANT)
    return np.array(_CHECKED)


_CHECKED: list[int] = []


def _covered(result: Reconciliation, true: np.ndarray) -> tuple[int, int]:
    known = ~np.isnan(result.reconciled) & (result.sd_after > 0)
    misses = np.abs(result.reconciled - true)[known] > 1.959964 * result.sd_after[known]
    return int((~misses).sum()), int(known.sum())


def table(months: int, seed: int) -> str:
    """The report: one line per size of error."""
    lines = [
        f"{months} months each, seed {seed}, level 5 %",
        "error  global test  some name  right name  right or equivalent  95 % coverage",
    ]
    for size in (0.0, *SIZES):
        tally = study(size, months, seed)
        lines.append(
            f"{size:4.0f} u {100 * tally.global_alarm:10.1f} % {100 * tally.named_any:8.1f} %"
            f" {100 * tally.right:9.1f} % {100 * tally.right_or_equivalent:17.1f} %"
            f" {100 * tally.coverage:13.1f} %"
        )
    return "\n".join(lines)


if __name__ == "__main__":
    sys.stdout.write(
        table(
            int(sys.argv[1]) if len(sys.argv) > 1 else MONTHS,
            int(sys.argv[2]) if len(sys.argv) > 2 else SEED,
        )
        + "\n"
    )
