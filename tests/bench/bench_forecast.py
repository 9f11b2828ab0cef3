"""How long do 1,000 forecasts take, in units of 1,000 plain straight-line fits on the same data?

Run from the project's root: python tests/bench/bench_forecast.py. The ratio, not the time, is
comparable between machines. All data invented.
"""

import datetime
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from cells.electrochemistry.electrolysis import AnodeComposition
from cells.electrochemistry.electrolyte_state import Estimate
from cells.electrochemistry.forecast import RunSoFar, forecast_runs

RUNS = 1000
READINGS = 60


def make_runs() -> list[RunSoFar]:
    generator = np.random.default_rng(1)
    runs = []
    for _ in range(RUNS):
        hours = np.sort(generator.uniform(0.0, 120.0, READINGS))
        current = 2.0 / (1.0 + 0.004 * hours) * (1.0 + 0.02 * generator.normal(size=READINGS))
        runs.append(
            RunSoFar(
                as_of=datetime.datetime(2026, 3, 2, tzinfo=datetime.UTC),
                hours=hours,
                current_a=current,
                anode=AnodeComposition(silver=0.925, copper=0.07),
                anode_g=Estimate(1500.0, 3.0),
                charge_ah=Estimate(float(np.trapezoid(current, hours)), 1.0),
                silver_g=Estimate(700.0, 5.0),
                copper_g=Estimate(200.0, 2.0),
                volume_l=Estimate(12.0, 0.1),
                efficiency=Estimate(0.98, 0.01),
            )
        )
    return runs


def main() -> None:
    runs = make_runs()
    forecast_runs(runs[:10])
    started = time.perf_counter()
    for run in runs:
        np.polyfit(run.hours, run.current_a, 1)
    plain_s = time.perf_counter() - started
    started = time.perf_counter()
    forecasts = forecast_runs(runs)
    forecast_s = time.perf_counter() - started
    answered = sum(forecast.state == "forecast" for forecast in forecasts)
    sys.stdout.write(
        f"{RUNS} runs of {READINGS} readings, {answered} forecast: {forecast_s:.2f} s; "
        f"{RUNS} polyfit: {plain_s:.3f} s; ratio {forecast_s / plain_s:.1f}\n"
    )


if __name__ == "__main__":
    main()
