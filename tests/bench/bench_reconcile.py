"""Time and memory of a month's reconciliation as the network grows, in ratios.

The yardstick is scipy's sparse direct solve (SuperLU) of the augmented system of the same problem,
    [V A^T; A 0] [x - y; m] = [0; b - A y],
which gives reconciled values only: no uncertainties, no classification, no tests, and no unmeasured
streams (here 10 % are, with a variance 10^6 times as large in the yardstick). Run
`python -m tests.bench.bench_reconcile [--largest]`; `--largest` adds 100,000 streams.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import time

import numpy as np
from scipy.sparse import coo_array, csc_array, csr_array, diags_array, hstack, vstack
from scipy.sparse.linalg import splu

from reports.statistics.covariance import factor_from_sd
from reports.statistics.reconcile import reconcile
from reports.statistics.suspects import find_suspects

SIZES = (1_000, 10_000)
LARGEST = 100_000
SEED = 7


def network(streams: int) -> tuple[csr_array, np.ndarray, np.ndarray]:
    """A chain of lots with short cuts between neighbours, as movements through a works are."""
    generator = np.random.default_rng(SEED)
    nodes = int(0.4 * streams)
    start = np.concatenate(
        [np.arange(-1, nodes), generator.integers(0, nodes, streams - nodes - 1)]
    )
    hop = np.concatenate(
        [np.ones(nodes + 1, dtype=int), generator.integers(1, 15, streams - nodes - 1)]
    )
    end = np.minimum(start + hop, nodes)
    column = np.arange(streams)
    row = np.concatenate([start, end])
    entry = np.concatenate([-np.ones(streams), np.ones(streams)])
    keep = (row >= 0) & (row < nodes)
    spots = (row[keep], np.concatenate([column, column])[keep])
    matrix = csr_array(coo_array((entry[keep], spots), shape=(nodes, streams)))
    sd = generator.uniform(0.5, 5.0, streams)
    values = sd * generator.standard_normal(streams)
    values[generator.random(streams) < 0.1] = np.nan
    return matrix, values, sd


def ours(streams: int) -> None:
    matrix, values, sd = network(streams)
    result = reconcile(matrix, np.zeros(matrix.shape[0]), values, factor_from_sd(sd))
    find_suspects(result)


def yardstick(streams: int) -> None:
    matrix, values, sd = network(streams)
    missing = np.isnan(values)
    variance = np.where(missing, 1e6, 1.0) * sd**2
    filled = np.where(missing, 0.0, values)
    weight = csr_array(diags_array(variance))
    none = csr_array((matrix.shape[0], matrix.shape[0]))
    system = csc_array(vstack([hstack([weight, matrix.T]), hstack([matrix, none])]))
    right = np.concatenate([np.zeros(streams), -(matrix @ filled)])
    splu(system).solve(right)


def measure(name: str, streams: int) -> tuple[float, float]:
    """Seconds and megabytes above the start, in a process of its own."""
    run = subprocess.run(
        [sys.executable, "-m", "tests.bench.bench_reconcile", "--one", name, str(streams)],
        check=True,
        capture_output=True,
        text=True,
    )
    seconds, megabytes = run.stdout.split()
    return float(seconds), float(megabytes)


def one(name: str, streams: int) -> None:
    network(streams)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    start = time.perf_counter()
    {"ours": ours, "yardstick": yardstick}[name](streams)
    seconds = time.perf_counter() - start
    after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    sys.stdout.write(f"{seconds} {(after - before) / 1024}\n")


def main(sizes: tuple[int, ...]) -> None:
    sys.stdout.write("streams  ours s  ours MB  solve s  solve MB  time ratio  memory ratio\n")
    past = None
    for streams in sizes:
        (t, m), (t0, m0) = measure("ours", streams), measure("yardstick", streams)
        sys.stdout.write(
            f"{streams:7d} {t:7.2f} {m:8.1f} {t0:8.2f} {m0:9.1f}"
            f" {t / t0:11.1f} {m / max(m0, 0.1):13.1f}\n"
        )
        if past:
            sys.stdout.write(
                f"        growth from {past[0]}: time x {t / past[1]:.1f}, memory x"
                f" {m / max(past[2], 0.1):.1f}; solve time x {t0 / past[3]:.1f}, memory x"
                f" {m0 / max(past[4], 0.1):.1f}\n"
            )
        past = (streams, t, m, t0, m0)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        one(sys.argv[2], int(sys.argv[3]))
    else:
        main((*SIZES, LARGEST) if "--largest" in sys.argv else SIZES)
