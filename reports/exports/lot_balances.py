"""Lots' balances as tables: the list of all, and the sheet of one."""

from __future__ import annotations

from collections.abc import Iterable

from lots.ledger.holdings import AsOf
from lots.models import Entry, Movement
from reports.conventions import OUNCE_RULE
from reports.exports.moments import as_of_note
from reports.exports.tables import Column, Kind, Table
from reports.queries.lot.lot_sheet import LotBalance, LotSheet

_LIST = (
    Column("lot", "Lot", width=14),
    Column("form", "Form", width=18),
    Column("description", "Description", width=30),
    Column("owner", "Owner", width=24),
    Column("place", "Place", width=20),
    Column("state", "State", width=14),
    Column("own_mass", "Own mass", Kind.MASS, 18),
    Column("volume", "Volume", Kind.VOLUME, 14),
    Column("metal", "Metal", width=8),
    Column("into", "In", Kind.MASS, 18, is_totalled=True),
    Column("out", "Out", Kind.MASS, 18, is_totalled=True),
    Column("now", "Now", Kind.MASS, 18, is_totalled=True),
)
_KINDS = (
    Column("kind", "Kind", width=26),
    Column("metal", "Metal", width=8),
    Column("mass", "In (+) or out (-)", Kind.MASS, 18, is_totalled=True),
)
_SHEET = (
    Column("sequence", "Movement", Kind.WHOLE, 10),
    Column("occurred_at", "Occurred", Kind.MOMENT, 17),
    Column("kind", "Kind", width=22),
    Column("stage", "Stage", width=18),
    Column("counterparts", "From or to", width=40),
    Column("metal", "Metal", width=8),
    Column("mass", "In (+) or out (-)", Kind.MASS, 18, is_totalled=True),
    Column("spread", "Standard uncertainty", Kind.MASS, 16),
    Column("basis", "Rests on", width=16),
    Column("balance", "Left in the lot", Kind.MASS, 18),
)


def lot_balances_table(balances: Iterable[LotBalance], as_of: AsOf) -> Table:
    """One row per lot and metal; owner, place and state are those of today."""
    rows = [
        {
            "lot": each.lot.code,
            "form": each.lot.get_form_display(),
            "description": each.lot.description,
            "owner": each.lot.owner.name,
            "place": each.lot.place.name,
            "state": each.lot.get_state_display(),
            "own_mass": each.mass_ug or None,
            "volume": each.volume_ul or None,
            "metal": metal.metal,
            "into": metal.in_ug,
            "out": metal.out_ug,
            "now": metal.now_ug,
        }
        for each in balances
        for metal in each.metals
    ]
    notes = [as_of_note(as_of), "Owner, place and state are those of today.", OUNCE_RULE]
    return Table("Lots", "Balances of all lots", _LIST, rows, notes, "metal")


def lot_sheet_tables(sheet: LotSheet) -> list[Table]:
    """In and out by kind, then every movement of the lot with what is left after each."""
    notes = [
        as_of_note(sheet.as_of),
        "Each total is what is in the lot: everything in less everything out.",
        OUNCE_RULE,
    ]
    title = f"Balance sheet of lot {sheet.lot.code}"
    kinds = [
        {"kind": each.kind_name, "metal": each.metal, "mass": each.mass_ug} for each in sheet.kinds
    ]
    lines = [
        {
            "sequence": line.sequence,
            "occurred_at": line.occurred_at,
            "kind": line.kind_name,
            "stage": str(Movement.Stage(line.stage).label),
            "counterparts": ", ".join(line.counterparts),
            "metal": line.metal,
            "mass": line.mass_ug,
            "spread": line.standard_uncertainty_ug,
            "basis": str(Entry.Basis(line.basis).label),
            "balance": line.balance_ug,
        }
        for line in sheet.lines
    ]
    return [
        Table("In and out", f"{title}, by kind", _KINDS, kinds, notes, "metal"),
        Table("Lines", f"{title}, line by line", _SHEET, lines, notes, "metal"),
    ]
