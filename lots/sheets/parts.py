"""Columns that several subjects of import share, and what they say put together."""

from __future__ import annotations

from typing import Any, Final

from lots.declaration.as_sheet import column
from lots.measurements.weighings import WEIGH, Weight
from lots.metals import Metal
from lots.services.opening import OPEN_LOT
from lots.sheets.columns import Column, Kind
from lots.sheets.subjects import Row

WHEN: Final = Column(
    "when",
    "When",
    Kind.MOMENT,
    "The day, or the day and time at the works. Left empty: the moment of the import.",
    "2026-05-04 09:30",
    also_called=(
        *("date", "day", "date and time", "moment"),
        *("time", "timestamp", "as of", "taken at"),
    ),
)
NOTE: Final = Column(
    "note",
    "Note",
    Kind.TEXT,
    "What should be remembered with it.",
    also_called=("notes", "remark", "remarks", "comment", "comments"),
    length_max=500,
)
DESCRIPTION: Final = column(
    OPEN_LOT,
    "description",
    "What it looks like, in a few words.",
    *("what it is", "item", "material description"),
    example="worn flatware, two trays",
)
CODE: Final = column(
    OPEN_LOT,
    "code",
    "Only for a lot labelled by this works before; left empty, a code is made.",
    *("label", "existing code", "lot code"),
)
PLACE_NAMES: Final = ("location", "shelf", "stands at", "where")
WEIGHT: Final = (
    column(
        WEIGH,
        "weight.gross",
        "What the balance read, with the vessel if there was one.",
        *("gross weight", "gross mass", "weight", "mass"),
        example="2140.6",
        unit_in="unit",
    ),
    column(
        WEIGH,
        "weight.tare",
        "The vessel alone; left empty when the pan was tared.",
        *("tare weight", "tare mass"),
        example="140.2",
        unit_in="unit",
    ),
    Column(
        "unit",
        "Unit of the weights",
        Kind.UNIT,
        "Where rows differ: the unit of gross and tare, such as g, kg or ozt.",
        also_called=("unit", "units", "uom"),
    ),
    column(
        WEIGH,
        "weight.balance",
        "The code or name of the balance that was used.",
        *("scale", "balance code"),
        example="bench",
    ),
)


def weight_of(row: Row) -> Weight:
    """Gross and tare as read, remembered as they were written."""
    written = [row.written[name] for name in ("gross", "tare") if name in row.written]
    return Weight(
        gross_ug=row.get("gross"),
        tare_ug=row.get("tare", 0),
        balance=row.get("balance"),
        entered_as=" - ".join(written)[:80],
    )


def metal_columns(kind: Kind, meaning: str, examples: dict[str, str]) -> tuple[Column, ...]:
    """A column for each metal; `meaning` has its name put in."""
    return tuple(
        Column(
            metal.value,
            str(metal.label),
            kind,
            meaning.format(str(metal.label).lower()),
            examples.get(metal.value, ""),
            also_called=(metal.value, f"{metal.label} {metal.value}"),
        )
        for metal in Metal
    )


def by_metal(row: Row) -> dict[str, Any]:
    """What the row says of each metal, mass or fineness, in the books' order; noughts left out."""
    return {metal: row.get(metal) for metal in Metal.values if row.get(metal)}
