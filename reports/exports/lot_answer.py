"""The answer about one lot as tables: where its metal is, and what came in and is owed."""

from __future__ import annotations

from lots.ledger.holdings import AsOf
from reports.conventions import OUNCE_RULE
from reports.exports.moments import as_of_note
from reports.exports.tables import Column, Kind, Table
from reports.queries.lot.lot_answer_lines import WHERE_NAMES, LotAnswer

_PARTS = (
    Column("metal", "Metal", width=8),
    Column("where", "Where", width=34),
    Column("holder", "Lot or account", width=18),
    Column("name", "Name", width=34),
    Column("place", "Place", width=20),
    Column("mass", "Mass", Kind.MASS, 18, is_totalled=True),
    Column("uncertainty", "± u", Kind.MASS, 18),
)
_METALS = (
    Column("metal", "Metal", width=8),
    Column("entered", "Came in with the lot", Kind.MASS, 18),
    Column("uncertainty", "± u", Kind.MASS, 18),
    Column("joined_pool", "Of it, now in the works' pool as claim", Kind.MASS, 18),
    Column("claim", "The customer's whole claim", Kind.MASS, 18),
    Column("payable", "Payable", Kind.MASS, 18),
)


def lot_answer_tables(answer: LotAnswer) -> list[Table]:
    """Where each part is, then each metal as a whole."""
    parts = [
        {
            "metal": each.metal,
            "where": WHERE_NAMES[each.where],
            "holder": each.holder,
            "name": each.name,
            "place": each.place,
            "mass": each.mass_ug,
            "uncertainty": each.standard_uncertainty_ug,
        }
        for each in answer.parts
    ]
    metals = [
        {
            "metal": each.metal,
            "entered": each.entered_ug,
            "uncertainty": each.standard_uncertainty_ug,
            "joined_pool": each.joined_pool_ug,
            "claim": each.claim_ug,
            "payable": answer.payable.payable_ug.get(each.metal),
        }
        for each in answer.metals
    ]
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
        Table("Where it is", title, _PARTS, parts, notes, "metal"),
        Table("Metals", f"{title}: what came in, what is payable", _METALS, metals, notes),
    ]
