"""The inventory as tables: every holding, and the position of each metal."""

from __future__ import annotations

from reports.conventions import OUNCE_RULE
from reports.exports.moments import as_of_note
from reports.exports.tables import Column, Kind, Linked, Table
from reports.queries.inventory import Inventory

_ROWS = (
    Column("metal", "Metal", width=8),
    Column("form", "Form", width=18),
    Column("owner", "Owner", width=26),
    Column("place", "Place", width=22),
    Column("area", "Area", width=18),
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
    rows = [
        {
            "metal": row.metal,
            "form": row.form_name,
            "owner": row.owner_name,
            "place": row.place_name,
            "area": row.area_name,
            "lots": row.lots,
            "mass": row.mass_ug,
        }
        for row in held.rows
    ]
    return [
        Table(
            "Inventory",
            "Inventory: metal by form, owner and place",
            _ROWS,
            rows,
            [as_of, OUNCE_RULE],
            total_by="metal",
        ),
        positions_table(held, as_of),
    ]


def positions_table(held: Inventory, as_of: str) -> Table:
    """Per metal: holdings, and whose they are; the last line is nought unless the ledger is ill."""
    rows = []
    for each in held.positions:
        keys = {name: f"{each.metal}.{name}" for name in ("holdings", "apart", "claims", "house")}
        rows += [
            _line(each.metal, keys["holdings"], "Held at the works", each.holdings_ug),
            _line(each.metal, keys["apart"], "Customers' own lots, kept apart", each.kept_apart_ug),
            _line(each.metal, keys["claims"], "Customers' claims on the pool", each.claims_ug),
            _line(each.metal, keys["house"], "The house's own position", each.house_ug),
            _line(
                each.metal,
                f"{each.metal}.adrift",
                "Held less kept apart, claims and house (must be nought)",
                Linked(
                    each.adrift_ug,
                    [
                        (1, keys["holdings"]),
                        (-1, keys["apart"]),
                        (-1, keys["claims"]),
                        (-1, keys["house"]),
                    ],
                ),
            ),
        ]
    return Table(
        "Whose it is",
        "Whose the metal is: held = kept apart + claims + house",
        _POSITIONS,
        rows,
        [as_of],
    )


def _line(metal: str, key: str, text: str, mass: int | Linked) -> dict[str, object]:
    return {"_key": key, "metal": metal, "line": text, "mass": mass}
