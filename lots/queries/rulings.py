"""Which assay of a lot counts, and how sure that makes its content."""

from __future__ import annotations

from collections.abc import Iterable

from django.db.models import Exists, OuterRef, QuerySet

from lots.models import Assay, AssayRuling, ContentChange, Entry, Lot, Movement
from lots.queries.holdings import NOW, AsOf


def rulings_in_force(lot: Lot | None = None) -> QuerySet[AssayRuling]:
    """Rulings not taken back, the latest first."""
    rulings = AssayRuling.objects.filter(movement__reversed_by__isnull=True)
    if lot is not None:
        rulings = rulings.filter(lot=lot)
    return rulings.order_by("-decided_at", "-id")


def ruling_of(lot: Lot) -> AssayRuling | None:
    """The ruling that holds, or None while none was made."""
    return rulings_in_force(lot).select_related("assay", "movement").first()


def ruling_assay(lot: Lot) -> Assay | None:
    """The assay the lot's content rests on: as ruled, else as the lot was made."""
    ruling = ruling_of(lot)
    if ruling is not None:
        return ruling.assay
    made = (
        Entry.objects.filter(
            lot=lot,
            content_by__lot=lot,
            movement__reverses__isnull=True,
            movement__reversed_by__isnull=True,
        )
        .select_related("content_by")
        .order_by("-occurred_at", "-id")
        .first()
    )
    return None if made is None else made.content_by


def ruled_uncertainties(
    lots: Iterable[Lot | int], as_of: AsOf = NOW
) -> dict[int, dict[str, float]]:
    """Relative standard uncertainty per metal of the lots whose content was ruled, in one query.

    A content ruled to be nothing has no relative uncertainty and is left out.
    """
    taken_back = Movement.objects.filter(as_of.limit(), reverses=OuterRef("movement"))
    rows = (
        ContentChange.objects.filter(
            ~Exists(taken_back), as_of.limit("movement__"), lot__in=lots, content_ug__gt=0
        )
        .order_by("movement__sequence", "id")
        .values_list("lot_id", "metal", "content_ug", "standard_uncertainty_ug")
    )
    found: dict[int, dict[str, float]] = {}
    for lot_id, metal, content_ug, uncertainty_ug in rows:
        if content_ug and uncertainty_ug is not None:
            found.setdefault(lot_id, {})[metal] = uncertainty_ug / content_ug
    return found
