"""What a count says of a lot's metals, from what was weighed or measured of the whole lot.

Pure: integers of micrograms and microlitres in and out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from config.refusals import refuse
from lots.units import proportion_ug


@dataclass(frozen=True)
class CountedMass:
    """Micrograms of one metal as counted, with the standard uncertainty the count gives it."""

    mass_ug: int
    standard_uncertainty_ug: int | None


def in_proportion(
    metals: Mapping[str, int], book: int, counted: int, u_counted: int
) -> dict[str, CountedMass]:
    """Each metal at the book's own content in what was counted, rounded half-even.

    `book`, `counted` and its standard uncertainty are masses or volumes in one unit. The content is
    taken as known: its uncertainty is that of the book, not of the count. Raises ConflictError
    `no_book_quantity` when the book has no such quantity of the lot.
    """
    if book <= 0:
        raise refuse("no_book_quantity", field="lot", value=book)
    return {
        metal: CountedMass(
            proportion_ug(mass_ug, counted, book), proportion_ug(mass_ug, u_counted, book)
        )
        for metal, mass_ug in metals.items()
    }
