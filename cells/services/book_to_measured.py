"""Brings an electrolyte's book to what was measured; the difference goes to the cell difference."""

from __future__ import annotations

from collections.abc import Sequence

from lots.ledger import accounts
from lots.ledger.drafts import Line, MaterialLine
from lots.ledger.holdings import Holding
from lots.measurements.outputs import Content
from lots.models import Entry, Lot, VolumeReading


def set_contents(lot: Lot, book: Holding, contents: Sequence[Content]) -> list[Line]:
    """Lines that set each measured metal's book to the measured mass; other metals stay."""
    return [
        line
        for content in contents
        for line in set_metal(lot, content, content.mass_ug - book.metals.get(content.metal, 0))
    ]


def set_metal(lot: Lot, content: Content, change_ug: int) -> list[Line]:
    """Lines that change one metal's book, against the cell difference."""
    return [
        Line(
            content.metal,
            change_ug,
            lot=lot,
            basis=content.basis,
            standard_uncertainty_ug=content.standard_uncertainty_ug,
            quantity_by=content.quantity_by,
            content_by=content.content_by,
        ),
        Line(
            content.metal,
            -change_ug,
            account=accounts.CELL_DIFFERENCE,
            basis=Entry.Basis.DIFFERENCE,
        ),
    ]


def set_volume(lot: Lot, book: Holding, reading: VolumeReading | None) -> list[MaterialLine]:
    """The line that sets the book volume to the one read: evaporation, drag-out, spills."""
    if reading is None:
        return []
    change_ul = reading.volume_ul - book.volume_ul
    return [MaterialLine(lot, volume_ul=change_ul, quantity_by=reading)]
