"""Which step a lot waits for, from what it is and what is known of it (common practice, no source).

A step is named as its page is.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Mapping

# What becomes of a lot of each form once its content is known. Feed is melted before it is sampled:
# a sample of mixed scrap says little.
_ONWARD: Final[Mapping[str, str]] = MappingProxyType(
    {
        "granules": "charge-lot",
        "anode_charge": "charge-lot",
        "anode_remnant": "charge-lot",
        "cement_silver": "melt",
        "fine_crystal": "melt",
        "bar": "ship",
        "fine_gold": "ship",
        "pgm_concentrate": "ship",
        "electrolyte": "electrolyte-measure",
        "sample": "use-up",
    }
)
# What nobody assays by itself: it is measured in use, or is a part of what it was taken from.
_NOT_ASSAYED: Final = frozenset({"electrolyte", "sample", "anode_remnant", "slimes_bag"})


@dataclass(frozen=True)
class LotFacts:
    """`waiting` says that a report is there which neither rules nor was withdrawn."""

    form: str
    state: str
    content: str
    sampled: bool
    waiting: bool


def next_step(lot: LotFacts) -> str:
    """The page of the step expected next; empty when none is."""
    known = lot.content != "declared"
    if lot.state == "quarantined" and known:
        return "release"
    if lot.state not in {"available", "quarantined"}:
        return ""
    if lot.form not in _NOT_ASSAYED and not known:
        if lot.waiting:
            return "rule-assay"
        if lot.form == "feed" and lot.state == "available" and not lot.sampled:
            return "melt"
        return "assay" if lot.sampled else "sample"
    return _ONWARD.get(lot.form, "")
