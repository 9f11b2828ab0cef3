"""How sure the books are of what a lot holds, relative to what came into it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from math import sqrt

from django.db.models import F, FloatField, Q, Sum
from django.db.models.functions import Cast, Coalesce

from lots.models import Entry, Lot, Movement
from lots.queries.rulings import ruled_uncertainties


def stated_uncertainties(lots: Iterable[Lot]) -> dict[int, dict[str, float | None]]:
    """Each lot's relative standard uncertainty of every metal that came into it, in two queries.

    That of its ruling, else the root sum of squares of the uncertainties of what came in over what
    came in, with what late assays changed of it; None where none was stated. A portion taken has
    the same. Every lot asked for has an answer, if an empty one.
    """
    ids = [lot.pk for lot in lots]
    spread = Cast(F("standard_uncertainty_ug"), FloatField())
    rows = (
        Entry.objects.filter(
            Q(mass_ug__gt=0) | Q(movement__kind=Movement.Kind.ASSAY_DIFFERENCE),
            lot_id__in=ids,
            movement__reversed_by__isnull=True,
            movement__reverses__isnull=True,
        )
        .order_by()
        .values_list("lot_id", "metal")
        .annotate(squares=Coalesce(Sum(spread * spread), 0.0), total=Sum("mass_ug"))
    )
    found: dict[int, dict[str, float | None]] = defaultdict(dict)
    for lot_id, metal, squares, total in rows:
        assert lot_id is not None
        found[lot_id][metal] = sqrt(squares) / total if squares and total > 0 else None
    for lot_id, by_metal in ruled_uncertainties(ids).items():
        found[lot_id].update(by_metal)
    return {lot_id: found[lot_id] for lot_id in ids}
