"""What is in the bowl now: the electrolyte, the plated silver and the anode left, and how sure.

The state steps through the run by charge; every top-up, and every figure found in the electrolyte
since the start, corrects it on the way.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from django.db.models import Sum

from cells.electrochemistry.coulometry import CoulombCount, count_charge, cumulative_ah
from cells.electrochemistry.current_series import CurrentSeries
from cells.electrochemistry.electrolyte_state import (
    PLATED,
    Addition,
    ElectrolyteAssay,
    Estimate,
    RunState,
    add,
    begin_run,
    step,
)
from cells.electrochemistry.state_update import Surprise, update_from_assay
from cells.models import CellRun, ElectrolyteReading, RunMovement, RunReading
from cells.queries.current_series import ammeter_of, readings_of, series_of
from cells.queries.run_start import NITRIC_ACID_G_PER_MOL, UL_PER_L, RunStart, run_start
from cells.queries.standing_movements import standing
from config.refusals import refuse
from lots.ledger.holdings import NOW, AsOf
from lots.models import AssayResult, Movement
from lots.units import UG_PER_G

SECONDS_PER_HOUR: Final = 3600.0
# A concentration read at the cell without a stated uncertainty; common practice, no source.
READING_RELATIVE_U: Final = 0.03
LEAST_U_G_PER_L: Final = 0.05
TOP_UP_RELATIVE_U: Final = 0.01


@dataclass(frozen=True)
class Leg:
    """From one correction to the next: between the two the state moves by charge alone."""

    begins_at: dt.datetime
    begins: RunState
    ends_at: dt.datetime
    ends: RunState


@dataclass(frozen=True)
class RunNow:
    """The run's state at `as_of`, with what each correction on the way had differed by.

    `count` has its gaps bridged; `gaps` says how many there were. `series` is what it was counted
    from. `legs` are the ways between corrections: the moment and state each begins and ends with.
    """

    run: CellRun
    as_of: dt.datetime
    start: RunStart
    state: RunState
    series: CurrentSeries | None
    count: CoulombCount | None
    gaps: int
    surprises: tuple[Surprise, ...]
    legs: tuple[Leg, ...]

    @property
    def silver_plated_g(self) -> Estimate:
        return self.state.estimate(PLATED)

    @property
    def anode_left_g(self) -> Estimate:
        return self.state.anode_left_g


def run_state_now(run: CellRun, at: dt.datetime) -> RunNow:
    """The state of a started run at `at`, or at its stop if that was earlier.

    From the last reading to `at` the current is held. Raises ConflictError `run_not_started`, and
    InvalidError where the books make no anode or no electrolyte. A fixed number of queries.
    """
    run = CellRun.objects.select_related("cell", "electrolyte__lot", "charge_lot").get(pk=run.pk)
    if run.started_at is None or run.started_at > at:
        raise refuse("run_not_started", field="run", value=run.code)
    end = at if run.stopped_at is None else min(at, run.stopped_at)
    as_of = AsOf(at)
    start = run_start(run, as_of)
    readings = readings_of(run, end)
    series = series_of(run, readings, end)
    count = None if series is None else count_charge(series, ammeter_of(run.cell))
    bridged = None if count is None else count.with_gaps_bridged()
    walk = _Walk(begin_run(start.electrolyte, start.anode, start.assumed), run, series, bridged)
    events = sorted(
        [*_top_ups(run, end), *_concentrations(readings), *_assays(run, end)],
        key=lambda event: event.at,
    )
    for event in events:
        walk.to(event.at)
        walk.state, found = event.apply(walk.state)
        walk.surprises += found
    walk.to(end)
    return RunNow(
        run=run,
        as_of=end,
        start=start,
        state=walk.state,
        series=series,
        count=bridged,
        gaps=0 if count is None else len(count.gaps),
        surprises=tuple(walk.surprises),
        legs=tuple(walk.legs),
    )


_Apply = Callable[[RunState], tuple[RunState, Sequence[Surprise]]]


@dataclass(frozen=True)
class _Event:
    at: dt.datetime
    apply: _Apply


class _Walk:
    """Steps a state through a run's charge from moment to moment."""

    def __init__(
        self,
        state: RunState,
        run: CellRun,
        series: CurrentSeries | None,
        count: CoulombCount | None,
    ) -> None:
        assert run.started_at is not None
        self.state = state
        self.at = run.started_at
        self.series = series
        self.count = count
        self.surprises: list[Surprise] = []
        self.legs: list[Leg] = []
        self._passed_ah = None if series is None else cumulative_ah(series, bridge_gaps=True)

    def to(self, moment: dt.datetime) -> None:
        """Steps to `moment`; its share of the count's random uncertainty goes with the charge."""
        if moment <= self.at:
            return
        charge_ah = self._charge_at(moment) - self._charge_at(self.at)
        random_ah = 0.0
        if self.count is not None and self.count.ampere_hours > 0:
            random_ah = self.count.u_random_ah * (charge_ah / self.count.ampere_hours) ** 0.5
        begun_at, begun = self.at, self.state
        self.state = step(
            self.state,
            charge_ah=max(0.0, charge_ah),
            hours=(moment - self.at).total_seconds() / SECONDS_PER_HOUR,
            u_charge_ah=random_ah,
        )
        self.at = moment
        self.legs.append(Leg(begun_at, begun, moment, self.state))

    def _charge_at(self, moment: dt.datetime) -> float:
        if self.series is None or self._passed_ah is None:
            return 0.0
        hours = (moment - self.series.start).total_seconds() / SECONDS_PER_HOUR
        return float(np.interp(hours, self.series.clock_h, self._passed_ah))


def _top_ups(run: CellRun, end: dt.datetime) -> Iterator[_Event]:
    """What was added to the electrolyte during the run, from the ledger, in two queries."""
    added = RunMovement.objects.filter(
        standing("movement", NOW),
        run=run,
        movement__kind__in=(Movement.Kind.TOP_UP, Movement.Kind.BLEED),
        movement__occurred_at__gt=run.started_at,
        movement__occurred_at__lte=end,
    ).order_by()
    bath = run.electrolyte.lot_id
    metals = (
        added.filter(movement__entries__lot=bath)
        .values_list("movement__occurred_at", "movement_id", "movement__entries__metal")
        .annotate(total=Sum("movement__entries__mass_ug"))
    )
    volumes = (
        added.filter(movement__material_entries__lot=bath)
        .values_list("movement__occurred_at", "movement_id")
        .annotate(total=Sum("movement__material_entries__volume_ul"))
    )
    grams: dict[tuple[dt.datetime, int], dict[str, float]] = {}
    for at, movement_id, metal, total in metals:
        grams.setdefault((at, movement_id), {})[metal] = total / UG_PER_G
    litres = {(at, movement_id): total / UL_PER_L for at, movement_id, total in volumes}
    for key in sorted(grams.keys() | litres.keys()):
        yield _Event(key[0], _poured(litres.get(key, 0.0), grams.get(key, {})))


def _poured(litres: float, grams: dict[str, float]) -> _Apply:
    def estimate(value: float) -> Estimate:
        return Estimate(value, TOP_UP_RELATIVE_U * value)

    def apply(state: RunState) -> tuple[RunState, Sequence[Surprise]]:
        if litres >= 0 and min([*grams.values(), 0.0]) >= 0:
            addition = Addition(
                volume_l=estimate(litres),
                silver_g=estimate(grams.get("Ag", 0.0)),
                copper_g=estimate(grams.get("Cu", 0.0)),
            )
            return add(state, addition), ()
        return _drawn(state, litres, grams), ()

    return apply


def _drawn(state: RunState, litres: float, grams: dict[str, float]) -> RunState:
    """The state after a bleed of assayed content: each amount less what left with it."""
    mean = state.mean.copy()
    mean[0] += grams.get("Ag", 0.0)
    mean[1] += grams.get("Cu", 0.0)
    mean[2] += grams.get("Pd", 0.0)
    mean[3] *= 1.0 + litres / mean[4]
    mean[4] += litres
    return replace(state, mean=np.maximum(mean, 0.0))


def _concentrations(readings: Sequence[RunReading]) -> Iterator[_Event]:
    for reading in readings:
        found = [
            None if value is None else _read(float(value))
            for value in (
                reading.silver_g_per_l,
                reading.copper_g_per_l,
                reading.free_acid_g_per_l,
            )
        ]
        if any(found):
            silver, copper, acid = found
            assay = ElectrolyteAssay(
                silver_g_per_l=silver, copper_g_per_l=copper, acid_mol_per_l=_molar(acid)
            )
            yield _Event(reading.taken_at, _corrected(assay))


def _assays(run: CellRun, end: dt.datetime) -> Iterator[_Event]:
    """What was measured of the electrolyte during the run, in two queries."""
    readings = list(
        ElectrolyteReading.objects.filter(
            batch=run.electrolyte, taken_at__gt=run.started_at, taken_at__lte=end
        )
    )
    results: dict[int, dict[str, Estimate]] = {}
    for result in AssayResult.objects.filter(
        assay__in=[each.assay_id for each in readings if each.assay_id],
        assay__withdrawal__isnull=True,
    ):
        results.setdefault(result.assay_id, {})[result.metal] = Estimate(
            float(result.value), float(result.standard_uncertainty) or LEAST_U_G_PER_L
        )
    for reading in readings:
        metals = results.get(reading.assay_id or 0, {})
        acid = reading.free_acid_g_per_l
        if not metals and acid is None:
            continue
        assay = ElectrolyteAssay(
            silver_g_per_l=metals.get("Ag"),
            copper_g_per_l=metals.get("Cu"),
            palladium_g_per_l=metals.get("Pd"),
            acid_mol_per_l=_molar(
                None
                if acid is None
                else Estimate(
                    float(acid),
                    float(reading.free_acid_u_g_per_l or 0) or _read(float(acid)).u,
                )
            ),
        )
        yield _Event(reading.taken_at, _corrected(assay))


def _read(value: float) -> Estimate:
    return Estimate(value, max(LEAST_U_G_PER_L, READING_RELATIVE_U * value))


def _molar(acid: Estimate | None) -> Estimate | None:
    if acid is None:
        return None
    return Estimate(acid.value / NITRIC_ACID_G_PER_MOL, acid.u / NITRIC_ACID_G_PER_MOL)


def _corrected(assay: ElectrolyteAssay) -> _Apply:
    def apply(state: RunState) -> tuple[RunState, Sequence[Surprise]]:
        updated = update_from_assay(state, assay)
        return updated.state, updated.surprises

    return apply
