"""What was recorded of an import's rows, and what of it was taken back since."""

from __future__ import annotations

from django.db.models import QuerySet

from lots.models import ImportedRow, SheetImport


def rows_of(made: SheetImport) -> QuerySet[ImportedRow]:
    """The rows in the sheet's order, with their movement, its reversal, and their lot."""
    return made.rows.select_related("movement__reversed_by", "lot").order_by("number")
