"""Metal leaves the works through the API: shipped to a party, returned to a customer."""

from __future__ import annotations

from typing import Any

from django.shortcuts import get_object_or_404

from lots.api.commands import ActSerializer, CommandView
from lots.api.fields import by_code
from lots.api.inputs import WeightSerializer
from lots.api.serializers import MovementSerializer
from lots.ledger.recording import Act
from lots.models import Lot, Movement, Party
from lots.services.shipping import return_to_customer, ship_lot


class ShipmentInput(ActSerializer):
    to = by_code(Party)
    weight = WeightSerializer(required=False, help_text="At the door.")


class ShipLot(CommandView):
    """Send a whole lot to a party."""

    step = "ship"
    input = ShipmentInput
    output = MovementSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Movement:
        lot = get_object_or_404(Lot, code=path["code"])
        return ship_lot(lot=lot, to=data["to"], weight=data.get("weight"), act=act)


class ReturnInput(ActSerializer):
    customer = by_code(Party)
    weight = WeightSerializer(required=False, help_text="At the door.")


class ReturnLot(CommandView):
    """Give a whole lot back to a customer: their own, or the house's against their claim."""

    step = "ship"
    input = ReturnInput
    output = MovementSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Movement:
        return return_to_customer(
            lot=get_object_or_404(Lot, code=path["code"]),
            customer=data["customer"],
            weight=data.get("weight"),
            act=act,
        )
