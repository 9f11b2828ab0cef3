"""How sure the books are of what a lot holds, relative to what came into it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from math import sqrt
from typing import Final

from django.db.models import F, FloatField, Sum
from django.db.models.functions import Cast, Coalesce

from lots.models import Entry, Lot
from lots.queries.rulings import ruled_uncertainties

# What a sender declares is trusted to this relative standard uncertainty until an assay rules.
# Common practice, no source.
DECLARED_RELATIVE_U: Final = 0.01


def relative_uncertainties(lots: Iterable[Lot]) -> dict[int, dict[str, float]]:
    """Each lot's relative standard uncertainty per metal, in two queries.

    That of its ruling, or the root sum of squares of the uncertainties of what came in, over what
    came in; a portion taken has the same. A declared content without a stated uncertainty has
    `DECLARED_RELATIVE_U`.
    """
    by_id = {lot.pk: lot for lot in lots}
    spread = Cast(F("standard_uncertainty_ug"), FloatField())
    rows = (
        Entry.objects.filter(lot_id__in=by_id, mass_ug__gt=0, movement__reversed_by__isnull=True)
        .exclude(movement__reverses__isnull=False)
        .order_by()
        .values_list("lot_id", "metal")
        .annotate(squares=Coalesce(Sum(spread * spread), 0.0), total=Sum("mass_ug"))
    )
    ruled = ruled_uncertainties(by_id.values())
    found: dict[int, dict[str, float]] = defaultdict(dict)
    for lot_id, metal, squares, total in rows:
        assert lot_id is not None
        relative = sqrt(squares) / total
        # A ruling leaves what its assay does not report as it was declared.
        if not relative and (lot_id in ruled or by_id[lot_id].content == Lot.Content.DECLARED):
            relative = DECLARED_RELATIVE_U
        found[lot_id][metal] = relative
    for pk, by_metal in ruled.items():
        found[pk].update(by_metal)
    return {pk: found[pk] for pk in by_id}
