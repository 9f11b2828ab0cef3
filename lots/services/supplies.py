"""Metal that comes out of a bought supply: nitrate into an electrolyte, copper for cementation."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from config.refusals import InvalidError
from lots.declaration.event import Asks
from lots.ledger import accounts
from lots.ledger.drafts import Line
from lots.metals import Metal
from lots.models import Entry, Lot

FROM_SUPPLIES: Final = Asks(
    "Metal from supplies", "Such as the silver in bought silver nitrate, with its unit."
)


def supply_lines(lot: Lot, supplies_ug: Mapping[str, int]) -> list[Line]:
    """Metal from supplies into a lot. Raises InvalidError `unknown_metal`, `not_positive`."""
    lines = []
    for metal, mass_ug in supplies_ug.items():
        if metal not in Metal.values or mass_ug <= 0:
            raise InvalidError(
                "Supplies are a known metal and a mass above zero.",
                code="not_positive" if metal in Metal.values else "unknown_metal",
                field=f"supplies.{metal}",
                value=mass_ug,
                remedy="Enter the metal put in: the silver of bought nitrate, or the copper put in "
                "for cementation.",
            )
        lines += [
            Line(metal, mass_ug, lot=lot, basis=Entry.Basis.DECLARED),
            Line(metal, -mass_ug, account=accounts.SUPPLIES, basis=Entry.Basis.DECLARED),
        ]
    return lines
