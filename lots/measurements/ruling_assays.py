"""Which assay of a lot counts, and how sure that makes its content."""

from __future__ import annotations

from collections.abc import Iterable

from django.db.models import QuerySet

from lots.ledger.holdings import NOW, AsOf
from lots.ledger.raw_sql import fetch, placeholders
from lots.models import Assay, AssayRuling, Entry, Lot


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
    ids = [lot.pk if isinstance(lot, Lot) else lot for lot in lots]
    if not ids:
        return {}
    limit, moments = as_of.sql_limit("m.")
    back_limit, _ = as_of.sql_limit("back.")
    rows = fetch(
        "SELECT c.lot_id, c.metal, c.content_ug, c.standard_uncertainty_ug "
        "FROM lots_contentchange c JOIN lots_movement m ON m.id = c.movement_id "
        f"LEFT JOIN lots_movement back ON back.reverses_id = m.id{back_limit} "
        f"WHERE c.lot_id IN {placeholders(ids)}{limit} AND back.id IS NULL AND c.content_ug > 0 "
        "ORDER BY m.sequence, c.id",
        [*moments, *ids, *moments],
    )
    found: dict[int, dict[str, float]] = {}
    for lot_id, metal, content_ug, uncertainty_ug in rows:
        if uncertainty_ug is not None:
            found.setdefault(lot_id, {})[metal] = uncertainty_ug / content_ug
    return found
