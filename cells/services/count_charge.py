"""The charge a run has passed, counted from its readings and kept as a measurement."""

from __future__ import annotations

from decimal import Decimal

from cells.electrochemistry.coulometry import count_charge
from cells.models import CellRun, CoulombCount
from cells.queries.current_series import ammeter_of, readings_of, series_of
from cells.services.run_steps import follow
from lots import clock
from lots.ledger.recording import Act
from lots.models import Measurement


def recount(run: CellRun, act: Act) -> CoulombCount:
    """Counts a stopped run's charge from the readings that stand, and makes it the run's count."""
    readings = readings_of(run)
    series = series_of(run, readings, run.stopped_at)
    figures = dict.fromkeys(
        (
            "ampere_hours",
            "standard_uncertainty_ah",
            "powered_h",
            "gap_h",
            "gaps_ah",
            "total_uncertainty_ah",
        ),
        Decimal(0),
    )
    gap_count = 0
    if series is not None:
        count = count_charge(series, ammeter_of(run.cell))
        bridged = count.with_gaps_bridged()
        gap_count = len(count.gaps)
        figures = {
            "ampere_hours": _decimal(count.ampere_hours, 6),
            "standard_uncertainty_ah": _decimal(count.u_ampere_hours, 6),
            "powered_h": _decimal(count.powered_h, 4),
            "gap_h": _decimal(sum(gap.powered_h for gap in count.gaps), 4),
            "gaps_ah": _decimal(bridged.ampere_hours - count.ampere_hours, 6),
            "total_uncertainty_ah": _decimal(bridged.u_ampere_hours, 6),
        }
    kept = CoulombCount.objects.create(
        kind=Measurement.Kind.COULOMBS,
        lot=run.charge_lot,
        taken_at=max(act.moment, run.stopped_at or act.moment),
        recorded_at=clock.now(),
        taken_by_id=act.who.pk,
        run=run,
        reading_count=len(readings),
        gap_count=gap_count,
        **figures,
    )
    follow(run, coulomb_count=kept)
    return kept


def _decimal(value: float, places: int) -> Decimal:
    return Decimal(f"{value:.{places}f}")
