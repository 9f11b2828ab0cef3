"""How sure the books are of what a lot holds, relative to what came into it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from math import sqrt

from lots.ledger.holdings import NOW, AsOf
from lots.ledger.raw_sql import fetch, placeholders
from lots.measurements.ruling_assays import ruled_uncertainties
from lots.models import Lot, Movement


def stated_uncertainties(
    lots: Iterable[Lot], as_of: AsOf = NOW
) -> dict[int, dict[str, float | None]]:
    """Each lot's relative standard uncertainty of every metal that came into it, in two queries.

    That of its ruling, else the root sum of squares of the uncertainties of what came in over what
    came in, with what late assays changed of it; None where none was stated. A portion taken has
    the same. Every lot asked for has an answer, if an empty one.
    """
    ids = [lot.pk for lot in lots]
    if not ids:
        return {}
    limit, moments = as_of.sql_limit("m.")
    back_limit, _ = as_of.sql_limit("back.")
    rows = fetch(
        "SELECT e.lot_id, e.metal, SUM(CAST(e.standard_uncertainty_ug AS double precision) "
        "* CAST(e.standard_uncertainty_ug AS double precision)), SUM(e.mass_ug) "
        "FROM lots_entry e JOIN lots_movement m ON m.id = e.movement_id "
        f"LEFT JOIN lots_movement back ON back.reverses_id = m.id{back_limit} "
        f"WHERE e.lot_id IN {placeholders(ids)}{limit} "
        "AND m.reverses_id IS NULL AND back.id IS NULL "
        "AND (e.mass_ug > 0 OR m.kind = %s) GROUP BY e.lot_id, e.metal",
        [*moments, *ids, *moments, Movement.Kind.ASSAY_DIFFERENCE.value],
    )
    found: dict[int, dict[str, float | None]] = defaultdict(dict)
    for lot_id, metal, squares, total in rows:
        found[lot_id][metal] = sqrt(squares) / int(total) if squares and total > 0 else None
    for lot_id, by_metal in ruled_uncertainties(ids, as_of).items():
        found[lot_id].update(by_metal)
    return {lot_id: found[lot_id] for lot_id in ids}
