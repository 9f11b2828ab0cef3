"""Melting one lot through the API."""

from __future__ import annotations

from typing import Any

from django.shortcuts import get_object_or_404
from rest_framework import serializers

from lots.api.commands import ActSerializer, CommandView
from lots.api.fields import MassesByMetalField, by_code
from lots.api.inputs import WeightSerializer
from lots.api.serializers import LotSerializer
from lots.ledger.recording import Act
from lots.models import Lot, Place
from lots.services.melting import Melted, melt_lot
from lots.services.write_off import Cause


class MeltInput(ActSerializer):
    form = serializers.ChoiceField(choices=Lot.Form.choices)
    place = by_code(Place)
    weight = WeightSerializer(required=False, help_text="Of what the melt gave.")
    lost = MassesByMetalField(required=False, help_text="Metal known to be lost in the melt.")
    cause = serializers.ChoiceField(
        choices=Cause.choices, required=False, default="", allow_blank=True
    )
    description = serializers.CharField(
        max_length=200, required=False, default="", allow_blank=True
    )


class MeltLot(CommandView):
    """Melt a whole lot into a new one; the loss of mass stays visible as the melt's own."""

    step = "melt"
    input = MeltInput
    output = LotSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Lot:
        melted = Melted(
            form=data["form"],
            place=data["place"],
            weight=data.get("weight"),
            lost_ug=data.get("lost", {}),
            cause=data["cause"],
            description=data["description"],
        )
        return melt_lot(lot=get_object_or_404(Lot, code=path["code"]), melted=melted, act=act)
