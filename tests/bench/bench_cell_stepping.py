"""Time of stepping a year of one-minute readings, beside a plain cumulative trapezoid.

Run: python tests/bench/bench_cell_stepping.py. All data is invented.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from cells.electrochemistry.coulometry import Ammeter, count_charge
from cells.electrochemistry.current_series import CurrentSeries, Reading, read_series
from cells.electrochemistry.electrolysis import AnodeComposition
from cells.electrochemistry.electrolyte_state import (
    AnodeCharge,
    ElectrolyteAssay,
    Estimate,
    RunAssumptions,
    RunState,
    begin_run,
    electrolyte_from_assay,
    step,
)
from cells.electrochemistry.run_trace import trace_run

MINUTES = 365 * 24 * 60
REPEATS = 5
STEPS = 5_000


def series() -> CurrentSeries:
    hours = np.arange(MINUTES) / 60.0
    current_a = 5.0 + np.sin(hours / 7.0) + np.random.default_rng(1).normal(0.0, 0.02, MINUTES)
    return CurrentSeries(
        start=datetime(2031, 1, 1, tzinfo=UTC),
        clock_h=hours,
        powered_h=hours,
        current_a=current_a,
        gap=np.zeros(MINUTES - 1, dtype=bool),
    )


def begun() -> RunState:
    assay = ElectrolyteAssay(silver_g_per_l=Estimate(80.0, 1.0), copper_g_per_l=Estimate(10.0, 0.3))
    anode = AnodeCharge(1e6, AnodeComposition(silver=0.95, copper=0.05), u_copper=0.005)
    return begin_run(
        electrolyte_from_assay(assay, Estimate(1e4, 10.0)),
        anode,
        RunAssumptions(Estimate(0.97, 0.01), evaporation_l_per_h=Estimate(0.01, 0.002)),
    )


def seconds(work: Callable[[], object]) -> float:
    times = []
    for _ in range(REPEATS):
        began = time.perf_counter()
        work()
        times.append(time.perf_counter() - began)
    return statistics.median(times)


def plain(year: CurrentSeries) -> np.ndarray:
    means_a = (year.current_a[1:] + year.current_a[:-1]) / 2.0
    return np.cumsum(means_a * np.diff(year.powered_h))


def one_by_one() -> RunState:
    state = begun()
    for _ in range(STEPS):
        state = step(state, charge_ah=0.08, hours=1 / 60, u_charge_ah=1e-4)
    return state


def main() -> None:
    year, state = series(), begun()
    ammeter = Ammeter(u_reading_a=0.02)
    readings = [
        Reading(year.start + timedelta(minutes=minute), current_a)
        for minute, current_a in enumerate(year.current_a.tolist())
    ]
    yardstick = seconds(lambda: plain(year))
    sys.stdout.write(
        f"{MINUTES} readings, median of {REPEATS}; plain cumulative trapezoid {yardstick:.4f} s\n"
    )
    for name, work in (
        ("check and convert readings", lambda: read_series(readings)),
        ("count the charge", lambda: count_charge(year, ammeter)),
        ("count and trace the run", lambda: trace_run(state, year, count_charge(year, ammeter))),
    ):
        taken = seconds(work)
        sys.stdout.write(
            f"{name}: {taken:.4f} s, {taken / yardstick:.1f} times the plain trapezoid\n"
        )
    each = seconds(one_by_one) / STEPS
    sys.stdout.write(f"one step of the state with its covariance: {each * 1e6:.0f} microseconds\n")


if __name__ == "__main__":
    main()
