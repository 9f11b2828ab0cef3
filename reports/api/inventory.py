"""What metal is there, in what form, whose and where; what is owed of it."""

from __future__ import annotations

from typing import Any, Final

from rest_framework import serializers

from lots.api.fields import by_code
from lots.api.questions import AsOfQuestion, moment_of
from lots.metals import Metal
from lots.models import Lot, Party, Place
from reports.api.answers import ReportQuestion, ReportView
from reports.exports.inventory import inventory_tables
from reports.exports.obligations import obligations_table
from reports.exports.tables import Table
from reports.queries.inventory import Inventory, inventory
from reports.queries.obligations import Obligations, obligations

_NARROWING: Final = ("metal", "form", "owner", "place", "area")


class InventoryQuestion(ReportQuestion, AsOfQuestion):
    metal = serializers.ChoiceField(choices=Metal.choices, required=False)
    form = serializers.ChoiceField(choices=Lot.Form.choices, required=False)
    owner = by_code(Party, required=False)
    place = by_code(Place, required=False)
    area = serializers.ChoiceField(choices=Place.Area.choices, required=False)


class InventoryReport(ReportView):
    """The inventory by metal, form, owner and place, and whose the metal is, as of any moment.

    The filters narrow the rows and their totals; the positions are always the whole works'.
    """

    asks = InventoryQuestion
    shows = Inventory
    may_lag = True
    file_name = "inventory"

    def answer(self, asked: dict[str, Any], **path: Any) -> Inventory:
        wanted = {
            name: getattr(asked[name], "code", asked[name]) for name in _NARROWING if name in asked
        }
        return inventory(moment_of(asked)).only(**wanted)

    def tables(self, answered: Inventory) -> list[Table]:
        return inventory_tables(answered)


class ObligationsQuestion(ReportQuestion, AsOfQuestion):
    pass


class ObligationsReport(ReportView):
    """Metal owed to customers against metal held, by how soon it can be delivered, with cover."""

    asks = ObligationsQuestion
    shows = Obligations
    may_lag = True
    file_name = "obligations"

    def answer(self, asked: dict[str, Any], **path: Any) -> Obligations:
        return obligations(moment_of(asked))

    def tables(self, answered: Obligations) -> list[Table]:
        return [obligations_table(answered)]
