"""The inventory as tables: every holding, and the position of each metal."""

from __future__ import annotations

from reports.conventions import OUNCE_RULE
from reports.exports.moments import as_of_note
from reports.exports.tables import Column, Kind, Linked, Table
from reports.queries.inventory import Inventory

_ROWS = (
    Column("metal", "Metal", width=8),
    Column("form", "Form", width=18, of="form_name"),
    Column("owner", "Owner", width=26, of="owner_name"),
    Column("place", "Place", width=22, of="place_name"),
    Column("area", "Area", width=18, of="area_name"),
    Column("lots", "Lots", Kind.WHOLE, 8, is_totalled=True),
    Column("mass", "Mass", Kind.MASS, 18, is_totalled=True),
)
_POSITIONS = (
    Column("metal", "Metal", width=8),
    Column("line", "What", width=44),
    Column("mass", "Mass", Kind.MASS, 18),
)


def inventory_tables(held: Inventory) -> list[Table]:
    """The holdings and whose they are, each with the moment it speaks of."""
    as_of = as_of_note(held.as_of)
    return [
        Table(
            "Inventory",
            "Inventory: metal by form, owner and place",
            _ROWS,
            held.rows,
            [as_of, OUNCE_RULE],
            total_by="metal",
        ),
        positions_table(held, as_of),
    ]


def positions_table(held: Inventory, as_of: str) -> Table:
    """Per metal: holdings, and whose they are; the last line is nought unless the ledger is ill."""
    rows = []
    for each in held.positions:
        parts = (
            ("holdings", "Held at the works", each.holdings_ug, 1),
            ("apart", "Customers' own lots, kept apart", each.kept_apart_ug, -1),
            ("claims", "Customers' claims on the pool", each.claims_ug, -1),
            ("house", "The house's own position", each.house_ug, -1),
        )
        adrift = Linked(
            each.adrift_ug, [(sign, f"{each.metal}.{key}") for key, _, _, sign in parts]
        )
        must = "Held less kept apart, claims and house (must be nought)"
        rows += [
            {"_key": f"{each.metal}.{key}", "metal": each.metal, "line": line, "mass": mass}
            for key, line, mass, _ in (*parts, ("adrift", must, adrift, 0))
        ]
    title = "Whose the metal is: held = kept apart + claims + house"
    return Table("Whose it is", title, _POSITIONS, rows, [as_of])
