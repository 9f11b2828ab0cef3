"""How much of a returned lot's metal is taken off what its customer is owed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from lots.metals import Metal

# A metal that is less of the lot than one part in this many is given along.
TRACE_IN: Final = 1000


def is_given_along(metal: str, metal_ug: int, whole_ug: int) -> bool:
    """Whether a metal of a returned lot is charged only as far as the claim has any of it."""
    return metal == Metal.CU or metal_ug * TRACE_IN < whole_ug


def charged_to_claim(metals_ug: Mapping[str, int], owed_ug: Mapping[str, int]) -> dict[str, int]:
    """Micrograms by metal taken off a claim of `owed_ug` when these metals are returned.

    Copper, and a metal below one part in a thousand, is charged only as far as the claim has any:
    fine metal is returned with its traces (common practice, no source). Any other metal is charged
    whole, even beyond the claim: that is for the ledger to refuse.
    """
    whole_ug = sum(metals_ug.values())
    charged = {}
    for metal, metal_ug in metals_ug.items():
        along = is_given_along(metal, metal_ug, whole_ug)
        charged[metal] = min(metal_ug, owed_ug.get(metal, 0)) if along else metal_ug
    return charged
