"""A cell run through the API, from charge to closing."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django.shortcuts import get_object_or_404
from rest_framework import serializers

from cells.api.electrolytes import MeasurementSerializer, electrolyte
from cells.api.serializers import (
    RunReadingSerializer,
    RunSerializer,
    SlimesBagSerializer,
)
from cells.models import Cell, CellRun, RunReading, SlimesBag
from cells.services.charge import Charge, charge_run
from cells.services.close_run import close_run
from cells.services.readings import (
    Instruments,
    TimedInstruments,
    record_reading,
    record_readings,
    withdraw_reading,
)
from cells.services.remnant import take_remnant
from cells.services.rinse_water import RinseWater, take_rinse_water
from cells.services.slimes_bag import BagTaken, bag_slimes
from cells.services.start_run import start_run
from cells.services.stop_run import stop_run
from config.refusals import RefusalError
from lots.api.commands import ActSerializer, CommandView
from lots.api.fields import MassesByMetalField, by_code
from lots.api.inputs import (
    AssaySerializerInput,
    TakeSerializer,
    VolumeReadingInput,
    WeightSerializer,
)
from lots.api.serializers import LotSerializer
from lots.ledger.recording import Act
from lots.models import Lot, Place

READINGS_MAX = 5000


class ChargeInput(ActSerializer):
    electrolyte = serializers.CharField(max_length=20, help_text="The electrolyte's lot code.")
    takes = TakeSerializer(many=True)
    acknowledge_copper = serializers.BooleanField(
        default=False, help_text="Charge although the electrolyte's copper is above the limit."
    )
    copper_reason = serializers.CharField(
        max_length=200, required=False, default="", allow_blank=True
    )


class ChargeRun(CommandView):
    """Charge a cell: portions of lots go into its basket, and customers gain their claims."""

    step = "charge"
    input = ChargeInput
    output = RunSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> CellRun:
        charge = Charge(
            cell=get_object_or_404(Cell, code=path["code"]),
            electrolyte=electrolyte(data["electrolyte"]),
            takes=data["takes"],
            acknowledge_copper=data["acknowledge_copper"],
            copper_reason=data["copper_reason"],
        )
        try:
            return charge_run(charge=charge, act=act)
        except RefusalError as refusal:
            # What the service calls the charge is this request's `takes`.
            if refusal.field is not None and refusal.field.split(".")[0] == "charge":
                refusal.field = "takes" + refusal.field.removeprefix("charge")
            raise


class InstrumentsSerializer(serializers.Serializer[Any]):
    """The cell's instruments at one moment. `is_interruption`: the power went off then."""

    current_a = serializers.DecimalField(max_digits=9, decimal_places=4, min_value=Decimal(0))
    voltage_v = serializers.DecimalField(
        max_digits=8, decimal_places=4, min_value=Decimal(0), required=False, allow_null=True
    )
    temperature_c = serializers.DecimalField(
        max_digits=6, decimal_places=2, required=False, allow_null=True
    )
    silver_g_per_l = serializers.DecimalField(
        max_digits=10, decimal_places=4, min_value=Decimal(0), required=False, allow_null=True
    )
    copper_g_per_l = serializers.DecimalField(
        max_digits=10, decimal_places=4, min_value=Decimal(0), required=False, allow_null=True
    )
    free_acid_g_per_l = serializers.DecimalField(
        max_digits=10, decimal_places=4, min_value=Decimal(0), required=False, allow_null=True
    )
    is_interruption = serializers.BooleanField(default=False)

    def to_internal_value(self, data: Any) -> Any:
        return Instruments(**super().to_internal_value(data))


class TimedInstrumentsSerializer(serializers.Serializer[Any]):
    taken_at = serializers.DateTimeField()
    instruments = InstrumentsSerializer()

    def to_internal_value(self, data: Any) -> Any:
        return TimedInstruments(**super().to_internal_value(data))


class StartRunInput(ActSerializer):
    first = InstrumentsSerializer(required=False, help_text="The first reading, if taken at once.")


class StartRun(CommandView):
    """Switch a charged cell on."""

    step = "run"
    input = StartRunInput
    output = RunSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> CellRun:
        return start_run(run=run_of(path["code"]), first=data.get("first"), act=act)


class ReadingInput(ActSerializer):
    instruments = InstrumentsSerializer()


class RecordReading(CommandView):
    """Record the instruments of a running cell."""

    step = "run"
    input = ReadingInput
    output = RunReadingSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> RunReading:
        return record_reading(run=run_of(path["code"]), instruments=data["instruments"], act=act)


class ManyReadingsInput(ActSerializer):
    readings = TimedInstrumentsSerializer(  # type: ignore[call-arg]
        many=True, allow_empty=False, max_length=READINGS_MAX
    )


class RecordReadings(CommandView):
    """Record many readings of a run at once, all or none."""

    input = ManyReadingsInput
    output = RunSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> CellRun:
        return record_readings(run=run_of(path["code"]), readings=data["readings"], act=act)


class ReadingWithdrawalInput(ActSerializer):
    reason = serializers.CharField(max_length=200)


class WithdrawReading(CommandView):
    """Withdraw a reading found wrong; it stays on record and counts no more."""

    input = ReadingWithdrawalInput
    output = RunReadingSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Any:
        reading = get_object_or_404(RunReading, pk=path["pk"])
        return withdraw_reading(reading=reading, reason=data["reason"], act=act)

    def show(self, recorded: Any) -> Any:
        return super().show(recorded.reading)


class StopInput(ActSerializer):
    last = InstrumentsSerializer(required=False, help_text="The last reading before switching off.")


class StopRun(CommandView):
    """Switch a running cell off."""

    step = "stop"
    input = StopInput
    output = RunSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> CellRun:
        return stop_run(run=run_of(path["code"]), last=data.get("last"), act=act)


class RemnantInput(ActSerializer):
    weight = WeightSerializer()
    place = by_code(Place)


class TakeRemnant(CommandView):
    """Take undissolved feed back out of the basket, as a lot of its own."""

    step = "stop"
    input = RemnantInput
    output = LotSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Lot:
        return take_remnant(
            run=run_of(path["code"]), weight=data["weight"], place=data["place"], act=act
        )


class BagInput(ActSerializer):
    place = by_code(Place)
    weight = WeightSerializer(required=False)
    torn = serializers.BooleanField(default=False)
    kept_share = serializers.DecimalField(
        max_digits=5,
        decimal_places=4,
        min_value=Decimal(0),
        max_value=Decimal(1),
        required=False,
        help_text="Of a torn bag: the share of the slimes still in it.",
    )


class BagSlimes(CommandView):
    """Take the slimes bag out; what it should hold is estimated by difference from the charge."""

    step = "slimes"
    input = BagInput
    output = SlimesBagSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> SlimesBag:
        bag = BagTaken(
            place=data["place"],
            weight=data.get("weight"),
            torn=data["torn"],
            kept_share=data.get("kept_share"),
        )
        return bag_slimes(run=run_of(path["code"]), bag=bag, act=act)


class RinseWaterInput(ActSerializer):
    volume = VolumeReadingInput()
    place = by_code(Place)
    assay = AssaySerializerInput(required=False)
    estimated = MassesByMetalField(required=False)


class TakeRinseWater(CommandView):
    """Keep a run's rinse water as a lot, for cementation."""

    step = "rinse"
    input = RinseWaterInput
    output = LotSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Lot:
        water = RinseWater(
            volume=data["volume"],
            place=data["place"],
            assay=data.get("assay"),
            estimated=data.get("estimated"),
        )
        return take_rinse_water(run=run_of(path["code"]), water=water, act=act)


class CloseRunInput(ActSerializer):
    measurement = MeasurementSerializer(
        required=False,
        help_text="The electrolyte as measured; without it, its silver follows the charge balance.",
    )


class CloseRun(CommandView):
    """Close a run: what is unaccounted for becomes the run's own difference."""

    input = CloseRunInput
    output = RunSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> CellRun:
        return close_run(run=run_of(path["code"]), measurement=data.get("measurement"), act=act)


def run_of(code: str) -> CellRun:
    """The run of this code, or 404."""
    return get_object_or_404(CellRun, code=code)
