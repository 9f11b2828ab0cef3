"""Obligations as a table: owed, held by readiness, cover."""

from __future__ import annotations

from reports.conventions import OUNCE_RULE
from reports.exports.moments import as_of_note
from reports.exports.tables import Column, Kind, Table
from reports.queries.obligations import Obligations, Readiness


def _held(readiness: Readiness, header: str) -> Column:
    return Column(readiness.value, header, Kind.MASS, 18, of=lambda each: each.held_ug[readiness])


_COLUMNS = (
    Column("metal", "Metal", width=8),
    Column("owed", "Owed to customers", Kind.MASS, 18),
    _held(Readiness.FINE, "Held, fine"),
    _held(Readiness.IN_PROCESS, "Held, in process"),
    _held(Readiness.IN_SLIMES, "Held, in slimes"),
    Column("house_own", "The house's own", Kind.MASS, 18),
    Column("kept_apart", "Kept apart for customers", Kind.MASS, 18),
    Column("cover", "Cover", width=12),
    Column("deliverable_cover", "Cover by fine metal", width=12),
    Column("warnings", "Look at", width=40, of=lambda each: ", ".join(each.warnings)),
)


def obligations_tables(owed: Obligations) -> list[Table]:
    """One row per metal; cover ratios are text, exact to four decimals."""
    notes = [as_of_note(owed.as_of), owed.note, OUNCE_RULE]
    return [Table("Obligations", "Metal owed and metal held", _COLUMNS, owed.metals, notes)]
