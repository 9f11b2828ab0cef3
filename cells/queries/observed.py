"""What the warning rules look at: a run's state, its current against earlier runs, its fittings."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Final

import numpy as np
from django.conf import settings
from django.db.models import F, Q, Sum
from django.utils import timezone

from cells.electrochemistry.coulometry import cumulative_ah
from cells.electrochemistry.current_series import FloatArray
from cells.electrochemistry.estimated import Estimate
from cells.estimate.answers import Range
from cells.models import Cell, CellRun, Harvest, RunReading
from cells.queries.current_series import readings_of, series_of, with_power_statements
from cells.queries.run_estimate import run_now
from cells.queries.run_facts import BOOK_RELATIVE_U
from cells.queries.standing_movements import standing
from cells.warnings import Finding, Observed, Thresholds, evaluate
from lots.ledger.holdings import NOW, AsOf, holding
from lots.models import AssayResult, Balance
from lots.queries.works_zone import works_zone

# How many earlier runs of the cell say how its current usually falls.
RUNS_LOOKED_AT: Final = 8
SECONDS_PER_HOUR: Final = 3600.0
PPM_PER_PPT: Final = 1000.0


def thresholds_for(cell: Cell) -> Thresholds:
    """The works' thresholds (settings.CELL_THRESHOLDS over the defaults) and the cell's limits."""
    chosen: dict[str, Any] = getattr(settings, "CELL_THRESHOLDS", {})
    return replace(
        Thresholds(**chosen),
        copper_limit_g_per_l=float(cell.copper_limit_g_per_l),
        silver_min_g_per_l=max(float(cell.silver_min_g_per_l), 1e-9),
        palladium_limit_g_per_l=float(cell.palladium_limit_g_per_l),
    )


def findings_of(run: CellRun, at: dt.datetime) -> list[Finding]:
    """What the rules find on a run at `at`, the most urgent first."""
    run = CellRun.objects.select_related("cell", "electrolyte__lot").get(pk=run.pk)
    return evaluate(observed_of(run, at), thresholds_for(run.cell))


def observed_of(run: CellRun, at: dt.datetime) -> Observed:
    """The figures of one run at `at`; what is not known is left out. A fixed number of queries."""
    cell = run.cell
    seen = Observed(
        fuse_a=float(cell.fuse_rating_a),
        lead_rating_a=_number(cell.lead_rating_a),
        cathode_cm2=_number(cell.cathode_cm2),
        clearance_mm=_number(cell.clearance_mm),
        bag_torn=run.bag_torn,
        calibration_days=_calibration_days(cell, at),
    )
    seen = _with_last_harvest(seen, cell, at)
    readings = readings_of(run, at)
    if run.started_at is None or run.started_at > at or run.harvested_at is not None:
        return _with_book(seen, run, at)
    seen = _with_current(seen, run, readings, at)
    state = run_now(run, at).state
    return replace(
        seen,
        silver_g_per_l=_plain(state.silver_g_per_l),
        copper_g_per_l=_plain(state.copper_g_per_l),
        palladium_g_per_l=_plain(state.palladium_g_per_l),
        silver_since_cleared_g=state.crystal_g.value,
    )


def _plain(made: Range) -> Estimate:
    return Estimate(made.value, made.u)


def _number(value: object) -> float | None:
    return None if value is None else float(str(value))


def _with_book(seen: Observed, run: CellRun, at: dt.datetime) -> Observed:
    """Before the start and after the harvest the book says what the electrolyte holds."""
    bath = holding(run.electrolyte.lot, AsOf(at))
    if not bath.volume_ul:
        return seen

    def g_per_l(metal: str) -> Estimate:
        value = bath.metals.get(metal, 0) / bath.volume_ul
        return Estimate(value, BOOK_RELATIVE_U * value)

    return replace(
        seen,
        silver_g_per_l=g_per_l("Ag"),
        copper_g_per_l=g_per_l("Cu"),
        palladium_g_per_l=g_per_l("Pd"),
    )


def _with_current(
    seen: Observed, run: CellRun, readings: Sequence[RunReading], at: dt.datetime
) -> Observed:
    live = [each for each in readings if not each.is_interruption]
    if run.stopped_at is not None or not live:
        return seen
    latest = live[-1]
    seen = replace(seen, current_a=float(latest.current_a))
    if len(live) > 1:
        hours = (latest.taken_at - live[-2].taken_at).total_seconds() / SECONDS_PER_HOUR
        seen = replace(seen, current_before_a=float(live[-2].current_a), hours_between=hours)
    trace = _shares(run, readings, latest.taken_at)
    if trace is None:
        return seen
    passed_ah, shares = trace
    return replace(
        seen,
        current_share=float(shares[-1]),
        past_shares=_past_shares(run, float(passed_ah[-1])),
    )


def _shares(
    run: CellRun, readings: Sequence[RunReading], end: dt.datetime | None
) -> tuple[FloatArray, FloatArray] | None:
    """Ampere-hours and current over that of the start, at each reading."""
    series = series_of(run, readings, end)
    if series is None or series.current_a[0] <= 0:
        return None
    return cumulative_ah(series, bridge_gaps=True), series.current_a / series.current_a[0]


def _past_shares(run: CellRun, passed_ah: float) -> list[float]:
    """What earlier runs of the cell showed at the same ampere-hours, in three queries."""
    earlier = list(
        CellRun.objects.filter(
            cell=run.cell, harvested_at__isnull=False, charged_at__lt=run.charged_at
        )
        .prefetch_related(with_power_statements())
        .order_by("-charged_at")[:RUNS_LOOKED_AT]
    )
    readings: dict[int, list[RunReading]] = {each.pk: [] for each in earlier}
    for reading in RunReading.objects.filter(run__in=earlier, withdrawal__isnull=True).order_by(
        "run_id", "taken_at", "id"
    ):
        readings[reading.run_id].append(reading)
    found = []
    for each in earlier:
        trace = _shares(each, readings[each.pk], each.stopped_at)
        if trace is not None and trace[0][-1] >= passed_ah:
            found.append(float(np.interp(passed_ah, trace[0], trace[1])))
    return found


def _with_last_harvest(seen: Observed, cell: Cell, at: dt.datetime) -> Observed:
    """Fineness by the book of the cell's latest crystal, and gold by its assay."""
    harvest = (
        Harvest.objects.filter(
            standing("movement", NOW), run__cell=cell, movement__occurred_at__lte=at
        )
        .select_related("weighing")
        .annotate(
            silver_ug=Sum(
                "movement__entries__mass_ug",
                filter=Q(movement__entries__metal="Ag", movement__entries__lot=F("lot")),
            )
        )
        .order_by("-harvested_at", "-id")
        .first()
    )
    if harvest is None:
        return seen
    gold = (
        AssayResult.objects.filter(
            assay__lot=harvest.lot_id,
            assay__basis="ppt",
            assay__withdrawal__isnull=True,
            metal="Au",
        )
        .order_by("-assay__reported_at", "-assay_id")
        .values_list("value", flat=True)
        .first()
    )
    return replace(
        seen,
        fineness=1000.0 * (harvest.silver_ug or 0) / harvest.weighing.net_ug,
        gold_ppm=None if gold is None else float(gold) * PPM_PER_PPT,
    )


def _calibration_days(cell: Cell, at: dt.datetime) -> dict[str, int]:
    day = timezone.localdate(at, works_zone())
    balances = Balance.objects.filter(is_active=True).values_list("name", "calibration_due")
    due = {name: until for name, until in balances if until is not None}
    if cell.ammeter_calibration_due is not None:
        due[f"ammeter of {cell}"] = cell.ammeter_calibration_due
    return {name: (until - day).days for name, until in due.items()}
