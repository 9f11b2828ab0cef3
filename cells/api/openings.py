"""What stood waiting when the ledger began, through the API."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from cells.api.serializers import SlimesBagSerializer
from cells.models import SlimesBag
from cells.services.open_bag import WaitingBag, open_bag
from lots.api.commands import ActSerializer, CommandView
from lots.api.fields import MassField, by_code
from lots.api.motions import AmountSerializer
from lots.ledger.recording import Act
from lots.models import Place
from lots.people.roles import OFFICE
from lots.services.opening import Amount


class OpenBagInput(ActSerializer):
    place = by_code(Place)
    metals = AmountSerializer(many=True)
    mass = MassField(positive=False, required=False)
    bagged_at = serializers.DateTimeField(required=False)
    torn = serializers.BooleanField(default=False)
    description = serializers.CharField(
        max_length=200, required=False, default="", allow_blank=True
    )
    code = serializers.CharField(max_length=40, required=False, default="", allow_blank=True)


class OpenBag(CommandView):
    """Put a slimes bag already waiting on the books, as it was found when the ledger began."""

    step = "slimes"
    input = OpenBagInput
    output = SlimesBagSerializer
    writers = OFFICE

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> SlimesBag:
        bag = WaitingBag(
            place=data["place"],
            metals={
                each["metal"]: Amount(each["mass"], each.get("standard_uncertainty"))
                for each in data["metals"]
            },
            mass_ug=data.get("mass", 0),
            bagged_at=data.get("bagged_at"),
            description=data["description"],
            code=data["code"],
            torn=data["torn"],
        )
        return open_bag(bag=bag, act=act)
