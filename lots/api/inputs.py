"""What requests may hold, turned into the services' own input types."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from config.refusals import InvalidError
from lots.api.commands import ActSerializer
from lots.api.fields import ByMetalField, MassesByMetalField, MassField, VolumeField, full_name
from lots.models import Assay, Balance, Lot, Party, Place
from lots.services.assays import AssayReport, Finding
from lots.services.outputs import Output, Volume
from lots.services.taking import Take
from lots.services.weighings import Weight
from lots.units import parse_decimal


def by_code(model: type[Any], **kwargs: Any) -> serializers.SlugRelatedField[Any]:
    """A field that names a row by its code."""
    return serializers.SlugRelatedField(slug_field="code", queryset=model.objects.all(), **kwargs)


class WeightSerializer(serializers.Serializer[Any]):
    """Gross and tare as read on one balance. Leave tare out when the pan was tared."""

    gross = MassField()
    tare = MassField(positive=False, required=False)
    balance = by_code(Balance)

    def to_internal_value(self, data: Any) -> Any:
        values = super().to_internal_value(data)
        entered = data.get("gross") if isinstance(data, Mapping) else ""
        return Weight(
            gross_ug=values["gross"],
            tare_ug=values.get("tare", 0),
            balance=values["balance"],
            entered_as=str(entered)[:80],
        )


class VolumeReadingInput(serializers.Serializer[Any]):
    """A volume as read, with its standard uncertainty."""

    volume = VolumeField()
    standard_uncertainty = VolumeField()

    def to_internal_value(self, data: Any) -> Any:
        values = super().to_internal_value(data)
        return Volume(values["volume"], values["standard_uncertainty"])


@extend_schema_field(
    {
        "type": "object",
        "properties": {"value": {"type": "string"}, "standard_uncertainty": {"type": "string"}},
        "required": ["value", "standard_uncertainty"],
    }
)
class FindingField(serializers.Field):  # type: ignore[type-arg]
    """One metal's result: {"value": "924.6", "standard_uncertainty": "0.4"}."""

    def to_internal_value(self, data: Any) -> Finding:
        name = full_name(self)
        if not isinstance(data, Mapping) or set(data) != {"value", "standard_uncertainty"}:
            raise InvalidError(
                "A result needs its value and its standard uncertainty.",
                code="result_incomplete",
                field=name,
                value=data,
                remedy='Send {"value": "924.6", "standard_uncertainty": "0.4"}.',
            )
        return Finding(
            value=parse_decimal(data["value"], field=name, decimals_max=6),
            standard_uncertainty=parse_decimal(
                data["standard_uncertainty"],
                field=f"{name}.standard_uncertainty",
                minimum=Decimal(0),
                decimals_max=6,
            ),
        )

    def to_representation(self, value: Finding) -> dict[str, str]:
        return {
            "value": str(value.value),
            "standard_uncertainty": str(value.standard_uncertainty),
        }


class AssaySerializerInput(serializers.Serializer[Any]):
    """A laboratory's report. Results are parts per thousand, or g/L when `basis` says so."""

    method = serializers.ChoiceField(choices=Assay.Method.choices)
    laboratory = by_code(Party)
    results = serializers.DictField(child=FindingField(), allow_empty=False)
    side = serializers.ChoiceField(choices=Assay.Side.choices, default=Assay.Side.HOUSE)
    basis = serializers.ChoiceField(choices=Assay.Basis.choices, default=Assay.Basis.FINENESS)
    certificate = serializers.CharField(max_length=80, required=False, default="", allow_blank=True)
    sample = by_code(Lot, required=False, allow_null=True, default=None)
    taken_at = serializers.DateTimeField(required=False)

    def to_internal_value(self, data: Any) -> Any:
        values = super().to_internal_value(data)
        return AssayReport(
            method=values["method"],
            laboratory=values["laboratory"],
            findings=values["results"],
            side=values["side"],
            basis=values["basis"],
            certificate=values["certificate"],
            sample=values["sample"],
            taken_at=values.get("taken_at"),
        )


class TakeSerializer(serializers.Serializer[Any]):
    """A portion of a lot: `mass`, or `volume` of a solution, or all of it when neither is given."""

    lot = by_code(Lot)
    mass = MassField(required=False)
    volume = VolumeField(required=False)

    def to_internal_value(self, data: Any) -> Any:
        values = super().to_internal_value(data)
        if "mass" in values and "volume" in values:
            raise InvalidError(
                "A portion is taken by mass or by volume, not both.",
                code="mass_or_volume",
                field=full_name(self),
                remedy="Leave one of them out.",
            )
        return Take(values["lot"], values.get("mass"), values.get("volume"))


class OutputSerializer(serializers.Serializer[Any]):
    """What came out of a process: weighed or measured; assayed, declared or estimated."""

    form = serializers.ChoiceField(choices=Lot.Form.choices)
    place = by_code(Place)
    weight = WeightSerializer(required=False)
    volume = VolumeReadingInput(required=False)
    assay = AssaySerializerInput(required=False)
    declared = ByMetalField(required=False)
    estimated = MassesByMetalField(required=False)
    description = serializers.CharField(
        max_length=200, required=False, default="", allow_blank=True
    )

    def to_internal_value(self, data: Any) -> Any:
        values = super().to_internal_value(data)
        return Output(
            form=values["form"],
            place=values["place"],
            weight=values.get("weight"),
            volume=values.get("volume"),
            assay=values.get("assay"),
            declared=values.get("declared"),
            estimated=values.get("estimated"),
            description=values["description"],
        )


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
