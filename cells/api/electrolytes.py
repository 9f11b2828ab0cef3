"""Electrolytes through the API: prepare, take over, measure, top up, bleed."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django.shortcuts import get_object_or_404
from rest_framework import serializers

from cells.api.serializers import ElectrolyteReadingSerializer, ElectrolyteSerializer
from cells.models import Cell, ElectrolyteBatch, ElectrolyteReading
from cells.services.bleed import bleed_electrolyte
from cells.services.electrolytes import ElectrolyteMeasurement
from cells.services.measure_electrolyte import measure_electrolyte
from cells.services.prepare_electrolyte import (
    ElectrolyteInUse,
    MakeUp,
    open_electrolyte,
    prepare_electrolyte,
)
from cells.services.top_up import Addition, top_up_electrolyte
from lots.api.commands import ActSerializer, CommandView
from lots.api.fields import MassesByMetalField, by_code
from lots.api.inputs import AssaySerializerInput, TakeSerializer, VolumeReadingInput
from lots.api.serializers import LotSerializer, MovementSerializer
from lots.ledger.recording import Act
from lots.models import Lot, Movement, Place
from lots.people.roles import OFFICE


class MeasurementSerializer(serializers.Serializer[Any]):
    """What was measured of an electrolyte: volume, assay in g/L, free acid."""

    volume = VolumeReadingInput(required=False)
    assay = AssaySerializerInput(required=False)
    free_acid_g_per_l = serializers.DecimalField(
        max_digits=10, decimal_places=4, min_value=Decimal(0), required=False
    )
    free_acid_u_g_per_l = serializers.DecimalField(
        max_digits=10, decimal_places=4, min_value=Decimal(0), required=False
    )

    def to_internal_value(self, data: Any) -> Any:
        values = super().to_internal_value(data)
        return ElectrolyteMeasurement(
            volume=values.get("volume"),
            assay=values.get("assay"),
            free_acid_g_per_l=values.get("free_acid_g_per_l"),
            free_acid_u_g_per_l=values.get("free_acid_u_g_per_l"),
        )


class PrepareInput(ActSerializer):
    place = by_code(Place)
    volume = VolumeReadingInput()
    takes = TakeSerializer(many=True, required=False)
    supplies = MassesByMetalField(required=False)
    cell = by_code(Cell, required=False, allow_null=True, default=None)
    description = serializers.CharField(
        max_length=200, required=False, default="", allow_blank=True
    )


class PrepareElectrolyte(CommandView):
    """Make up a new electrolyte from lots dissolved and from supplies."""

    step = "make_up"
    input = PrepareInput
    output = ElectrolyteSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> ElectrolyteBatch:
        make_up = MakeUp(
            place=data["place"],
            volume=data["volume"],
            takes=data.get("takes", ()),
            supplies_ug=data.get("supplies", {}),
            cell=data["cell"],
            description=data["description"],
        )
        return prepare_electrolyte(make_up=make_up, act=act)


class OpenElectrolyteInput(ActSerializer):
    place = by_code(Place)
    measurement = MeasurementSerializer()
    use_number = serializers.IntegerField(min_value=1, max_value=100_000, default=1)
    cell = by_code(Cell, required=False, allow_null=True, default=None)
    description = serializers.CharField(
        max_length=200, required=False, default="", allow_blank=True
    )


class OpenElectrolyte(CommandView):
    """Put an electrolyte already in use on the books, as measured when the ledger began."""

    input = OpenElectrolyteInput
    output = ElectrolyteSerializer
    writers = OFFICE

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> ElectrolyteBatch:
        electrolyte = ElectrolyteInUse(
            place=data["place"],
            measurement=data["measurement"],
            use_number=data["use_number"],
            cell=data["cell"],
            description=data["description"],
        )
        return open_electrolyte(electrolyte=electrolyte, act=act)


class MeasureInput(ActSerializer):
    measurement = MeasurementSerializer()


class MeasureElectrolyte(CommandView):
    """Measure an electrolyte: the book is brought to what was found."""

    step = "run"
    input = MeasureInput
    output = ElectrolyteReadingSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> ElectrolyteReading:
        return measure_electrolyte(
            batch=electrolyte(path["code"]), measurement=data["measurement"], act=act
        )


class TopUpInput(ActSerializer):
    volume = VolumeReadingInput(required=False)
    takes = TakeSerializer(many=True, required=False)
    supplies = MassesByMetalField(required=False)


class TopUpElectrolyte(CommandView):
    """Top up an electrolyte with lots dissolved, supplies or water, also during a run."""

    step = "top_up"
    input = TopUpInput
    output = MovementSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Movement:
        addition = Addition(
            volume=data.get("volume"),
            takes=data.get("takes", ()),
            supplies_ug=data.get("supplies", {}),
        )
        return top_up_electrolyte(batch=electrolyte(path["code"]), addition=addition, act=act)


class BleedInput(ActSerializer):
    volume = VolumeReadingInput()
    place = by_code(Place)
    assay = AssaySerializerInput(required=False)


class BleedElectrolyte(CommandView):
    """Bleed electrolyte into a solution lot, for cementation."""

    step = "bleed"
    input = BleedInput
    output = LotSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Lot:
        return bleed_electrolyte(
            batch=electrolyte(path["code"]),
            volume=data["volume"],
            place=data["place"],
            assay=data.get("assay"),
            act=act,
        )


def electrolyte(code: str) -> ElectrolyteBatch:
    """The electrolyte whose lot bears this code, or 404."""
    return get_object_or_404(ElectrolyteBatch, lot__code=code)
