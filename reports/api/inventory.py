"""What metal is there, in what form, whose and where; what is owed of it."""

from __future__ import annotations

from typing import Any, Final

from lots.api.fields import by_code
from lots.api.questions import AT_A_MOMENT, choice_of, moment_of
from lots.metals import Metal
from lots.models import Lot, Party, Place
from reports.api.answers import ReportView
from reports.exports.inventory import inventory_tables
from reports.exports.obligations import obligations_tables
from reports.queries.inventory import Inventory, inventory
from reports.queries.obligations import Obligations, obligations

_NARROWING: Final = ("metal", "form", "owner", "place", "area")


class InventoryReport(ReportView):
    """The inventory by metal, form, owner and place, and whose the metal is, as of any moment.

    The filters narrow the rows and their totals; the positions are always the whole works'.
    """

    asks = {
        **AT_A_MOMENT,
        "metal": choice_of(Metal),
        "form": choice_of(Lot.Form),
        "owner": by_code(Party, required=False),
        "place": by_code(Place, required=False),
        "area": choice_of(Place.Area),
    }
    shows = Inventory
    may_lag = True
    file_name = "inventory"
    tables_of = inventory_tables

    def answer(self, asked: dict[str, Any], **path: Any) -> Inventory:
        wanted = {
            name: getattr(asked[name], "code", asked[name]) for name in _NARROWING if name in asked
        }
        return inventory(moment_of(asked)).only(**wanted)


class ObligationsReport(ReportView):
    """Metal owed to customers against metal held, by how soon it can be delivered, with cover."""

    shows = Obligations
    may_lag = True
    file_name = "obligations"
    tables_of = obligations_tables

    def answer(self, asked: dict[str, Any], **path: Any) -> Obligations:
        return obligations(moment_of(asked))
