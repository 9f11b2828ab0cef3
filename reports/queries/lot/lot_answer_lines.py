"""The answer to "where is my lot", as records: its headings, its parts and what stands beside."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from lots.traces.lot_trace import Graph
from lots.units import proportion_ug
from reports.queries.lot.lot_evidence import LotEvidence
from reports.queries.lot.lot_payable import LotPayable

DEFERENCE: Final = "Terms of the contract and local law decide; this statement does not."
SIGNS: Final = (
    "All masses are of metal, and positive where metal is: in a lot, shipped, returned, "
    "lost. On differences, positive is metal gone from the books there, negative is metal found "
    "above them. Per metal the lines sum to what came in with the lot, as ruled by its assay where "
    "one was, to the microgram."
)
MIXING: Final = (
    "Where lots were mixed, each lot's part is in proportion to what it brought (common "
    "practice, no source): metal of one fineness has no name on it."
)
UNSURE: Final = (
    "± is one standard uncertainty: that of what came in with the lot, by its weighing and assay, "
    "in proportion to each part. The parts are unsure together, so it adds up like they do. Where "
    "the content was only declared, none is stated."
)


class Where(StrEnum):
    """The headings of the answer, in the order a customer asks."""

    THE_LOT = "the_lot"
    FINE = "fine"
    ELECTROLYTE = "electrolyte"
    SLIMES = "slimes"
    IN_PROCESS = "in_process"
    OTHER_LOTS = "other_lots"
    RETURNED = "returned"
    SHIPPED = "shipped"
    LOSSES = "losses"
    DIFFERENCES = "differences"
    TAKEN_BACK = "taken_back"


WHERE_NAMES: Final[dict[Where, str]] = {
    Where.THE_LOT: "Still in the lot as received",
    Where.FINE: "Fine metal",
    Where.ELECTROLYTE: "Electrolyte, rinse water and other solutions",
    Where.SLIMES: "Slimes",
    Where.IN_PROCESS: "In process",
    Where.OTHER_LOTS: "Other lots",
    Where.RETURNED: "Returned to customers",
    Where.SHIPPED: "Shipped",
    Where.LOSSES: "Losses",
    Where.DIFFERENCES: "Differences",
    Where.TAKEN_BACK: "Entries taken back",
}


# What is no longer metal in a lot or out of the door; differences can be below nought.
LOST: Final = (Where.LOSSES, Where.DIFFERENCES)


@dataclass(frozen=True)
class WherePart:
    """Some of the lot's metal in one place: a lot (code, form, place) or an account it went to."""

    metal: str
    where: Where
    holder: str
    name: str
    form: str
    place: str
    mass_ug: int
    standard_uncertainty_ug: int | None


@dataclass(frozen=True)
class MetalAnswer:
    """One metal of the lot: `where_ug` sums to `entered_ug` to the microgram.

    `joined_pool_ug` is what of it joined the works' pool and became the customer's claim;
    `claim_ug` is all the customer has in the pool, of every lot. Where something is withheld
    `where_ug` is empty and `joined_pool_ug` None.
    """

    metal: str
    entered_ug: int
    standard_uncertainty_ug: int | None
    where_ug: dict[Where, int]
    joined_pool_ug: int | None
    claim_ug: int

    def uncertainty_of(self, where: Where) -> int | None:
        """The standard uncertainty of what stands under a heading, micrograms."""
        if self.standard_uncertainty_ug is None:
            return None
        return proportion_ug(
            self.standard_uncertainty_ug, abs(self.where_ug.get(where, 0)), self.entered_ug
        )


@dataclass(frozen=True)
class LotAnswer:
    """The whole answer for one lot, ready for JSON, the page and the printed statement.

    `withheld` says to a customer what is left out, and why.
    """

    lot: str
    form: str
    description: str
    state: str
    owner: str
    owner_name: str
    received_from: str
    as_of_occurred: dt.datetime | None
    as_of_recorded: dt.datetime | None
    evidence: LotEvidence
    metals: tuple[MetalAnswer, ...]
    parts: tuple[WherePart, ...]
    graph: Graph
    payable: LotPayable
    withheld: str = ""
    signs: str = SIGNS
    mixing: str = MIXING
    unsure: str = UNSURE
    deference: str = DEFERENCE
