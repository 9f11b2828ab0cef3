"""The form to count with: what to look for, blank where figures go, and no book figure anywhere."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from lots.ledger.holdings import AsOf
from reports.exports.moments import as_of_note
from reports.exports.tables import Column, Table
from reports.models import CountLine, CountSheet

CAUTION: Final = (
    "Carboys, cells and bags hold nitric acid and silver nitrate, and cells are live: sight them "
    "closed, or draw a sample as the safety data sheets, local codes and your licence say."
)
HOW_TO: Final = (
    "How: weighed, volume, sighted or missing. Gross and tare as read, in the unit named (g when "
    "blank), with the code of the balance. Volume and its standard uncertainty in ml. Leave the "
    "row blank for a lot not counted yet."
)
COLUMNS: Final = (
    Column("sheet", "Sheet", width=14),
    Column("lot", "Lot", width=14),
    Column("form", "Form", width=18),
    Column("description", "Description", width=30),
    Column("how", "How", width=12),
    Column("balance", "Balance", width=14),
    Column("gross", "Gross", width=14),
    Column("tare", "Tare", width=14),
    Column("unit", "Unit", width=8),
    Column("volume_ml", "Volume, ml", width=14),
    Column("volume_spread_ml", "Volume's uncertainty, ml", width=14),
    Column("note", "Note", width=30),
)


def count_form_table(sheet: CountSheet, lines: Iterable[CountLine]) -> Table:
    """The lots still to be counted on a sheet; filled in, it is uploaded as it is."""
    rows = [
        {
            "sheet": sheet.code,
            "lot": line.lot.code,
            "form": line.lot.get_form_display(),
            "description": line.lot.description,
        }
        for line in lines
        if not line.is_counted
    ]
    return Table(
        "Count form",
        f"Count form {sheet.code}: {sheet.place}",
        COLUMNS,
        rows,
        [as_of_note(AsOf(sheet.as_of)), HOW_TO, CAUTION],
    )
