"""How much of the charge became crystal in the past runs of each cell."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable

from django.db.models import F

from cells.electrochemistry.current_efficiency import CurrentEfficiency, current_efficiency
from cells.models import Cell, RunMovement
from cells.queries.standing_movements import standing
from lots.ledger.holdings import NOW, AsOf
from lots.models import Movement
from lots.units import UG_PER_G


def efficiencies(cells: Iterable[Cell], as_of: AsOf = NOW) -> dict[int, list[CurrentEfficiency]]:
    """The current efficiency of every harvested run, oldest first, by cell, in one query."""
    wanted = [cell.pk for cell in cells]
    rows = (
        RunMovement.objects.filter(
            standing("movement", as_of),
            run__cell__in=wanted,
            movement__kind=Movement.Kind.HARVEST,
            movement__entries__metal="Ag",
            movement__entries__lot=F("lot"),
            run__coulomb_count__isnull=False,
        )
        .order_by("movement__occurred_at", "id")
        .values_list(
            "run__cell_id",
            "movement__entries__mass_ug",
            "movement__entries__standard_uncertainty_ug",
            "run__coulomb_count__ampere_hours",
            "run__coulomb_count__gaps_ah",
            "run__coulomb_count__total_uncertainty_ah",
        )
    )
    found: dict[int, list[CurrentEfficiency]] = defaultdict(list)
    for cell_id, silver_ug, u_silver_ug, counted_ah, gaps_ah, u_ah in rows:
        found[cell_id].append(
            current_efficiency(
                silver_ug / UG_PER_G,
                (u_silver_ug or 0) / UG_PER_G,
                float(counted_ah + gaps_ah),
                float(u_ah),
            )
        )
    return {pk: found[pk] for pk in wanted}
