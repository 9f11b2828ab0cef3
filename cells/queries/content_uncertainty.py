"""How sure the books are of what a lot holds, also where nobody said how sure."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from lots.ledger.content_uncertainty import stated_uncertainties
from lots.models import Lot

# What nobody stated an uncertainty of is somebody's word, which is trusted to this relative
# standard uncertainty until an assay rules. Common practice, no source.
WORD_RELATIVE_U: Final = {"Ag": 0.02}
WORD_OTHER_RELATIVE_U: Final = 0.15


def relative_uncertainties(lots: Iterable[Lot]) -> dict[int, dict[str, float]]:
    """Each lot's relative standard uncertainty of every metal that came into it, in two queries."""
    return {
        pk: {
            metal: WORD_RELATIVE_U.get(metal, WORD_OTHER_RELATIVE_U)
            if relative is None
            else relative
            for metal, relative in by_metal.items()
        }
        for pk, by_metal in stated_uncertainties(lots).items()
    }
