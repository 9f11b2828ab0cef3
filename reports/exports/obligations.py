"""Obligations as a table: owed, held by readiness, cover."""

from __future__ import annotations

from reports.conventions import OUNCE_RULE
from reports.exports.moments import as_of_note
from reports.exports.tables import Column, Kind, Table
from reports.queries.obligations import Obligations, Readiness

_COLUMNS = (
    Column("metal", "Metal", width=8),
    Column("owed", "Owed to customers", Kind.MASS, 18),
    Column("fine", "Held, fine", Kind.MASS, 18),
    Column("in_process", "Held, in process", Kind.MASS, 18),
    Column("in_slimes", "Held, in slimes", Kind.MASS, 18),
    Column("house_own", "The house's own", Kind.MASS, 18),
    Column("kept_apart", "Kept apart for customers", Kind.MASS, 18),
    Column("cover", "Cover", width=12),
    Column("deliverable_cover", "Cover by fine metal", width=12),
    Column("warnings", "Look at", width=40),
)


def obligations_table(owed: Obligations) -> Table:
    """One row per metal; cover ratios are text, exact to four decimals."""
    rows = [
        {
            "metal": each.metal,
            "owed": each.owed_ug,
            **{readiness.value: each.held_ug[readiness] for readiness in Readiness},
            "house_own": each.house_own_ug,
            "kept_apart": each.kept_apart_ug,
            "cover": None if each.cover is None else str(each.cover),
            "deliverable_cover": None
            if each.deliverable_cover is None
            else str(each.deliverable_cover),
            "warnings": ", ".join(each.warnings),
        }
        for each in owed.metals
    ]
    notes = [as_of_note(owed.as_of), owed.note, OUNCE_RULE]
    return Table("Obligations", "Metal owed and metal held", _COLUMNS, rows, notes)
