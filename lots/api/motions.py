"""Lots in motion through the API: split, blend, transfer, write off, rule an assay, open."""

from __future__ import annotations

from typing import Any

from django.shortcuts import get_object_or_404
from rest_framework import serializers

from lots.api.commands import ActSerializer, CommandView
from lots.api.fields import MassesByMetalField, MassField, VolumeField, by_code, shown_code
from lots.api.inputs import TakeSerializer
from lots.api.serializers import LotSerializer, MovementSerializer
from lots.ledger.recording import Act
from lots.measurements.rulings import rule_assay
from lots.metals import Metal
from lots.models import Assay, AssayRuling, Lot, Movement, Party, Place
from lots.people.roles import ASSAYING, OFFICE
from lots.services.blending import Blend, blend_lots
from lots.services.opening import Amount, Opening, open_claim, open_lot
from lots.services.splitting import Part, split_lot
from lots.services.transfer import transfer_lot

DESCRIPTION = {"max_length": 200, "required": False, "default": "", "allow_blank": True}


class PartSerializer(serializers.Serializer[Any]):
    """One new lot: its mass, or for a solution its volume."""

    mass = MassField(required=False)
    volume = VolumeField(required=False)
    place = by_code(Place, required=False, allow_null=True, default=None)
    description = serializers.CharField(**DESCRIPTION)  # type: ignore[arg-type]
    code = serializers.CharField(max_length=40, required=False, default="", allow_blank=True)

    def to_internal_value(self, data: Any) -> Any:
        values = super().to_internal_value(data)
        return Part(
            mass_ug=values.get("mass"),
            volume_ul=values.get("volume"),
            place=values["place"],
            description=values["description"],
            code=values["code"],
        )


class SplitInput(ActSerializer):
    parts = PartSerializer(many=True)
    label_rest = serializers.BooleanField(
        default=False, help_text="Whether what no part takes becomes a new lot too."
    )


class SplitLot(CommandView):
    """Split a lot into labelled parts; the new lots are the movement's standings."""

    input = SplitInput
    output = MovementSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Movement:
        lot = get_object_or_404(Lot, code=path["code"])
        return split_lot(lot=lot, parts=data["parts"], label_rest=data["label_rest"], act=act)


class BlendInput(ActSerializer):
    takes = TakeSerializer(many=True)
    form = serializers.ChoiceField(choices=Lot.Form.choices)
    place = by_code(Place)
    description = serializers.CharField(**DESCRIPTION)  # type: ignore[arg-type]
    keep_apart = serializers.BooleanField(default=True)


class BlendLots(CommandView):
    """Blend portions of several lots into one.

    Several owners' metal joins the works' pool, and each gains a claim of what they gave.
    """

    input = BlendInput
    output = LotSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Lot:
        blend = Blend(data["form"], data["place"], data["description"])
        return blend_lots(takes=data["takes"], blend=blend, keep_apart=data["keep_apart"], act=act)


class TransferInput(ActSerializer):
    place = by_code(Place)


class TransferLot(CommandView):
    """Move a lot to another place."""

    input = TransferInput
    output = MovementSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Movement:
        lot = get_object_or_404(Lot, code=path["code"])
        return transfer_lot(lot=lot, place=data["place"], act=act)


class RulingInput(ActSerializer):
    reason = serializers.CharField(max_length=200)


class RulingSerializer(serializers.ModelSerializer[AssayRuling]):
    lot = shown_code()
    decided_by = serializers.CharField(source="decided_by.username", read_only=True)

    class Meta:
        model = AssayRuling
        fields = ["id", "lot", "assay", "reason", "decided_at", "decided_by"]
        read_only_fields = fields


class RuleAssay(CommandView):
    """Let an assay rule its lot.

    The lot's book content becomes what it found; when the metal has moved on, the difference
    follows it to where it is now.
    """

    input = RulingInput
    output = RulingSerializer
    writers = ASSAYING

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> AssayRuling:
        assay = get_object_or_404(Assay, pk=path["pk"])
        return rule_assay(assay=assay, reason=data["reason"], act=act)


class AmountSerializer(serializers.Serializer[Any]):
    """A mass of one metal, with its standard uncertainty where it is known."""

    metal = serializers.ChoiceField(choices=Metal.choices)
    mass = MassField()
    standard_uncertainty = MassField(positive=False, required=False)


class OpeningInput(ActSerializer):
    form = serializers.ChoiceField(choices=Lot.Form.choices)
    owner = by_code(Party)
    place = by_code(Place)
    metals = AmountSerializer(many=True, required=False)
    mass = MassField(positive=False, required=False)
    volume = VolumeField(required=False)
    content = serializers.ChoiceField(
        choices=Lot.Content.choices, default=Lot.Content.BY_DIFFERENCE
    )
    description = serializers.CharField(**DESCRIPTION)  # type: ignore[arg-type]
    code = serializers.CharField(max_length=40, required=False, default="", allow_blank=True)
    received_from = by_code(Party, required=False, allow_null=True, default=None)


class OpenLot(CommandView):
    """Put a lot on the books as it was found when the ledger began."""

    input = OpeningInput
    output = LotSerializer
    writers = OFFICE

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Lot:
        opening = Opening(
            form=data["form"],
            owner=data["owner"],
            place=data["place"],
            metals={
                each["metal"]: Amount(each["mass"], each.get("standard_uncertainty"))
                for each in data.get("metals", [])
            },
            mass_ug=data.get("mass", 0),
            volume_ul=data.get("volume", 0),
            content=data["content"],
            description=data["description"],
            code=data["code"],
            received_from=data["received_from"],
        )
        return open_lot(opening=opening, act=act)


class OpeningClaimInput(ActSerializer):
    owner = by_code(Party)
    metals = MassesByMetalField()


class OpenClaim(CommandView):
    """Put on the books what a customer had in the works' pool when the ledger began."""

    input = OpeningClaimInput
    output = MovementSerializer
    writers = OFFICE

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Movement:
        return open_claim(owner=data["owner"], metals=data["metals"], act=act)
