"""The answer about one lot as tables: where its metal is, and what came in and is owed."""

from __future__ import annotations

from lots.ledger.holdings import AsOf
from reports.conventions import OUNCE_RULE
from reports.exports.moments import as_of_note
from reports.exports.tables import Column, Kind, Table
from reports.queries.lot.lot_answer_lines import WHERE_NAMES, LotAnswer

_SPREAD = Column("uncertainty", "± u", Kind.MASS, 18, of="standard_uncertainty_ug")
_PARTS = (
    Column("metal", "Metal", width=8),
    Column("where", "Where", width=34, of=lambda each: WHERE_NAMES[each.where]),
    Column("holder", "Lot or account", width=18),
    Column("name", "Name", width=34),
    Column("place", "Place", width=20),
    Column("mass", "Mass", Kind.MASS, 18, is_totalled=True),
    _SPREAD,
)
_METALS = (
    Column("metal", "Metal", width=8),
    Column("entered", "Came in with the lot", Kind.MASS, 18),
    _SPREAD,
    Column("joined_pool", "Of it, now in the works' pool as claim", Kind.MASS, 18),
    Column("claim", "The customer's whole claim", Kind.MASS, 18),
)


def lot_answer_tables(answer: LotAnswer) -> list[Table]:
    """Where each part is, then each metal as a whole."""
    due = answer.payable.payable_ug
    payable = Column("payable", "Payable", Kind.MASS, 18, of=lambda each: due.get(each.metal))
    metals = (*_METALS, payable)
    notes = [
        *filter(None, [answer.withheld]),
        as_of_note(AsOf(answer.as_of_occurred, answer.as_of_recorded)),
        answer.signs,
        answer.mixing,
        answer.unsure,
        answer.deference,
        OUNCE_RULE,
    ]
    title = f"What became of lot {answer.lot}"
    return [
        Table("Where it is", title, _PARTS, answer.parts, notes, "metal"),
        Table("Metals", f"{title}: what came in, what is payable", metals, answer.metals, notes),
    ]
