"""Lots' balances as tables: the list of all, and the sheet of one."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from lots.ledger.holdings import AsOf
from lots.models import Entry, Movement
from reports.conventions import OUNCE_RULE
from reports.exports.moments import as_of_note
from reports.exports.tables import Column, Kind, Table
from reports.queries.lot.lot_sheet import LotBalance, LotSheet, MetalBalance

_LIST = (
    Column("lot", "Lot", width=14, of="of.lot.code"),
    Column("form", "Form", width=18, of="of.lot.get_form_display"),
    Column("description", "Description", width=30, of="of.lot.description"),
    Column("owner", "Owner", width=24, of="of.lot.owner.name"),
    Column("place", "Place", width=20, of="of.lot.place.name"),
    Column("state", "State", width=14, of="of.lot.get_state_display"),
    Column("own_mass", "Own mass", Kind.MASS, 18, of=lambda row: row.of.mass_ug or None),
    Column("volume", "Volume", Kind.VOLUME, 14, of=lambda row: row.of.volume_ul or None),
    Column("metal", "Metal", width=8, of="metal.metal"),
    Column("into", "In", Kind.MASS, 18, is_totalled=True, of="metal.in_ug"),
    Column("out", "Out", Kind.MASS, 18, is_totalled=True, of="metal.out_ug"),
    Column("now", "Now", Kind.MASS, 18, is_totalled=True, of="metal.now_ug"),
)
_KINDS = (
    Column("kind", "Kind", width=26, of="kind_name"),
    Column("metal", "Metal", width=8),
    Column("mass", "In (+) or out (-)", Kind.MASS, 18, is_totalled=True),
)
_SHEET = (
    Column("sequence", "Movement", Kind.WHOLE, 10),
    Column("occurred_at", "Occurred", Kind.MOMENT, 17),
    Column("kind", "Kind", width=22, of="kind_name"),
    Column("stage", "Stage", width=18, of=lambda line: Movement.Stage(line.stage).label),
    Column("counterparts", "From or to", width=40, of=lambda line: ", ".join(line.counterparts)),
    Column("metal", "Metal", width=8),
    Column("mass", "In (+) or out (-)", Kind.MASS, 18, is_totalled=True),
    Column("spread", "Standard uncertainty", Kind.MASS, 16, of="standard_uncertainty_ug"),
    Column("basis", "Rests on", width=16, of=lambda line: Entry.Basis(line.basis).label),
    Column("balance", "Left in the lot", Kind.MASS, 18),
)


class _Row(NamedTuple):
    of: LotBalance
    metal: MetalBalance


def lot_balances_table(balances: Iterable[LotBalance], as_of: AsOf) -> Table:
    """One row per lot and metal; owner, place and state are those of today."""
    rows = [_Row(each, metal) for each in balances for metal in each.metals]
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
    return [
        Table("In and out", f"{title}, by kind", _KINDS, sheet.kinds, notes, "metal"),
        Table("Lines", f"{title}, line by line", _SHEET, sheet.lines, notes, "metal"),
    ]
