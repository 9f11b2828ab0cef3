"""When a running cell's anode is exhausted, and what it holds then: readings into a forecast."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from cells.electrochemistry.electrolyte_state import COPPER, SILVER, VOLUME, Estimate
from cells.electrochemistry.forecast import Forecast, RunSoFar, forecast_run
from cells.models import CellRun
from cells.queries.run_state import RunNow, run_state_now


@dataclass(frozen=True)
class RunForecast:
    """The forecast, and the state it starts from."""

    now: RunNow
    forecast: Forecast


def run_forecast(run: CellRun, at: dt.datetime) -> RunForecast:
    """The forecast of a started run as of `at`; it says so when readings are too few.

    Raises ConflictError `run_not_started`.
    """
    now = run_state_now(run, at)
    return RunForecast(now, forecast_of(now))


def forecast_of(now: RunNow) -> Forecast:
    """The forecast from a state already worked out."""
    if now.series is None or now.count is None:
        return Forecast(
            state="too_few_readings", reason="No reading under current; a forecast needs several."
        )
    state = now.state
    anode = now.start.anode
    return forecast_run(
        RunSoFar(
            as_of=now.as_of,
            hours=now.series.powered_h,
            current_a=now.series.current_a,
            anode=anode.composition,
            # How sure the balance is of the anode's own mass is far below what its assay leaves.
            anode_g=Estimate(anode.mass_g, anode.mass_g * anode.u_silver),
            charge_ah=Estimate(now.count.ampere_hours, now.count.u_ampere_hours),
            silver_g=state.estimate(SILVER),
            copper_g=state.estimate(COPPER),
            volume_l=state.estimate(VOLUME),
            efficiency=now.start.assumed.efficiency,
            copper_limit_g_per_l=float(now.run.cell.copper_limit_g_per_l),
            silver_min_g_per_l=float(now.run.cell.silver_min_g_per_l),
        )
    )
