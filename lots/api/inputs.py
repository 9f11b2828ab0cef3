"""What requests may hold, turned into the services' own input types."""

from __future__ import annotations

from rest_framework import serializers

from lots.api.commands import ActSerializer
from lots.api.fields import (
    ByMetalField,
    by_code,
)
from lots.declaration.as_api import part_serializer
from lots.measurements.assays import AssayReport
from lots.measurements.outputs import Output, Volume
from lots.measurements.weighings import Weight
from lots.models import Lot, Party, Place
from lots.services.taking import Take

WeightSerializer = part_serializer(Weight)
VolumeReadingInput = part_serializer(Volume)
AssaySerializerInput = part_serializer(AssayReport)
TakeSerializer = part_serializer(Take)
OutputSerializer = part_serializer(Output)


class ReceiptInput(ActSerializer):
    party = by_code(Party, help_text="Who brought it.")
    owner = by_code(
        Party, help_text="Whose metal it is from now on: the customer's or the house's."
    )
    form = serializers.ChoiceField(choices=Lot.Form.choices)
    place = by_code(Place)
    weight = WeightSerializer()
    declared = ByMetalField(
        required=False, help_text="Parts per thousand by metal, as the sender states."
    )
    description = serializers.CharField(
        max_length=200, required=False, default="", allow_blank=True
    )
    code = serializers.CharField(
        max_length=40,
        required=False,
        default="",
        allow_blank=True,
        help_text="Only for a lot that already carries a label of this works.",
    )
