"""Cells, electrolytes, runs, harvests and slimes bags as the API shows them."""

from __future__ import annotations

from typing import Any, ClassVar

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from cells.models import (
    Cell,
    CellRun,
    CellWarning,
    CoulombCount,
    ElectrolyteBatch,
    ElectrolyteReading,
    Harvest,
    HarvestBalance,
    RecoveryOutcome,
    RunReading,
    SlimesBag,
    SlimesEstimate,
)
from lots.api.fields import ShownMass, by_code, shown_code
from lots.api.reference import OfServices
from lots.models import Place


class CellSerializer(OfServices):
    place = by_code(Place)

    class Meta:
        model = Cell
        fields = [
            "code",
            "name",
            "place",
            "bath_volume_ul",
            "copper_limit_g_per_l",
            "silver_min_g_per_l",
            "palladium_limit_g_per_l",
            "current_limit_a",
            "fuse_rating_a",
            "lead_rating_a",
            "cathode_cm2",
            "clearance_mm",
            "evaporation_ml_per_h",
            "basket_ug_max",
            "ammeter_gain_u",
            "ammeter_reading_u_a",
            "ammeter_zero_u_a",
            "ammeter_calibration_due",
            "is_active",
            "version",
        ]
        read_only_fields = ["version"]
        extra_kwargs: ClassVar[dict[str, Any]] = {"code": {"validators": []}}


class ElectrolyteReadingSerializer(serializers.ModelSerializer[ElectrolyteReading]):
    batch = serializers.CharField(source="batch.lot.code", read_only=True)
    volume_ul = serializers.IntegerField(
        source="volume.volume_ul", read_only=True, allow_null=True, default=None
    )
    movement = shown_code("sequence")

    class Meta:
        model = ElectrolyteReading
        fields = [
            "id",
            "batch",
            "taken_at",
            "volume_ul",
            "assay",
            "free_acid_g_per_l",
            "free_acid_u_g_per_l",
            "movement",
            "note",
        ]
        read_only_fields = fields


class ElectrolyteSerializer(serializers.ModelSerializer[ElectrolyteBatch]):
    """An electrolyte; what it holds is its lot's, under the same code."""

    code = serializers.CharField(source="lot.code", read_only=True)
    place = serializers.CharField(source="lot.place.code", read_only=True)
    state = serializers.CharField(source="lot.state", read_only=True)
    description = serializers.CharField(source="lot.description", read_only=True)
    cell = shown_code()

    class Meta:
        model = ElectrolyteBatch
        fields = ["code", "place", "state", "description", "cell", "use_number", "version"]
        read_only_fields = fields


class CoulombCountSerializer(serializers.ModelSerializer[CoulombCount]):
    class Meta:
        model = CoulombCount
        fields = [
            "ampere_hours",
            "standard_uncertainty_ah",
            "total_uncertainty_ah",
            "powered_h",
            "reading_count",
            "gap_count",
            "gap_h",
            "gaps_ah",
        ]
        read_only_fields = fields


class RunSerializer(serializers.ModelSerializer[CellRun]):
    cell = shown_code()
    electrolyte = serializers.CharField(source="electrolyte.lot.code", read_only=True)
    charge_lot = shown_code()
    closing_movement = shown_code("sequence")
    coulomb_count = CoulombCountSerializer(read_only=True, allow_null=True)

    class Meta:
        model = CellRun
        fields = [
            "code",
            "cell",
            "electrolyte",
            "use_number",
            "charge_lot",
            "state",
            "charged_at",
            "started_at",
            "stopped_at",
            "harvested_at",
            "closed_at",
            "coulomb_count",
            "closing_movement",
            "copper_acknowledgement",
            "bag_torn",
            "note",
            "version",
        ]
        read_only_fields = fields


class RunReadingSerializer(serializers.ModelSerializer[RunReading]):
    run = shown_code()
    withdrawn = serializers.SerializerMethodField()

    class Meta:
        model = RunReading
        fields = [
            "id",
            "run",
            "taken_at",
            "current_a",
            "voltage_v",
            "temperature_c",
            "silver_g_per_l",
            "copper_g_per_l",
            "free_acid_g_per_l",
            "is_interruption",
            "withdrawn",
            "note",
        ]
        read_only_fields = fields

    def get_withdrawn(self, reading: RunReading) -> str | None:
        withdrawal = getattr(reading, "withdrawal", None)
        return None if withdrawal is None else str(withdrawal.reason)


class HarvestBalanceSerializer(serializers.ModelSerializer[HarvestBalance]):
    dissolved = ShownMass(source="dissolved_ug")
    from_solution = ShownMass(source="from_solution_ug")
    fallen = ShownMass(source="fallen_ug")
    excess = ShownMass(source="excess_ug")

    class Meta:
        model = HarvestBalance
        fields = ["metal", "dissolved", "from_solution", "fallen", "excess"]
        read_only_fields = fields


class HarvestSerializer(serializers.ModelSerializer[Harvest]):
    """A harvest: the silver weighed beside the silver that Faraday's law expects."""

    run = shown_code()
    lot = shown_code()
    movement = shown_code("sequence")
    dry_weight = ShownMass(source="weighing.net_ug")
    expected_silver = ShownMass(source="expected_silver_ug")
    expected_silver_standard_uncertainty = ShownMass(source="expected_silver_u_ug")
    balances = HarvestBalanceSerializer(many=True, read_only=True)

    class Meta:
        model = Harvest
        fields = [
            "id",
            "run",
            "lot",
            "movement",
            "harvested_at",
            "dry_weight",
            "expected_silver",
            "expected_silver_standard_uncertainty",
            "rinse_count",
            "chloride_clear",
            "dry",
            "tests_waived",
            "torn",
            "balances",
        ]
        read_only_fields = fields


class SlimesEstimateSerializer(serializers.ModelSerializer[SlimesEstimate]):
    mass = ShownMass(source="mass_ug")
    standard_uncertainty = ShownMass(source="standard_uncertainty_ug")

    class Meta:
        model = SlimesEstimate
        fields = ["metal", "mass", "standard_uncertainty"]
        read_only_fields = fields


class SlimesBagSerializer(serializers.ModelSerializer[SlimesBag]):
    code = serializers.CharField(source="lot.code", read_only=True)
    place = serializers.CharField(source="lot.place.code", read_only=True)
    run = shown_code()
    process_batch = shown_code()
    estimates = SlimesEstimateSerializer(many=True, read_only=True)

    class Meta:
        model = SlimesBag
        fields = [
            "code",
            "run",
            "place",
            "state",
            "bagged_at",
            "torn",
            "kept_share",
            "process_batch",
            "estimates",
            "version",
        ]
        read_only_fields = fields


class WarningSerializer(serializers.ModelSerializer[CellWarning]):
    run = shown_code()

    class Meta:
        model = CellWarning
        fields: list[Any] = [
            "id",
            "run",
            "rule",
            "state",
            "subject",
            "severity",
            "message",
            "basis",
            "value",
            "limit",
            "unit",
            "raised_at",
            "acknowledged_at",
            "acknowledgement",
            "cleared_at",
        ]
        read_only_fields = fields


class RecoveryOutcomeSerializer(serializers.ModelSerializer[RecoveryOutcome]):
    """What a recovery found of one metal of one bag; it counts while its closing stands.

    `difference` = booked less recovered: positive is an apparent loss, negative an apparent gain.
    """

    bag = serializers.CharField(source="bag.lot.code", read_only=True)
    process_batch = shown_code()
    closing = shown_code("sequence")
    counts = serializers.SerializerMethodField()
    estimated = ShownMass(source="estimated_ug")
    estimated_standard_uncertainty = ShownMass(source="estimated_u_ug")
    booked = ShownMass(source="booked_ug")
    recovered = ShownMass(source="recovered_ug")
    recovered_standard_uncertainty = ShownMass(source="recovered_u_ug")
    difference = serializers.SerializerMethodField()

    class Meta:
        model = RecoveryOutcome
        fields = [
            "id",
            "process_batch",
            "closing",
            "counts",
            "bag",
            "metal",
            "estimated",
            "estimated_standard_uncertainty",
            "booked",
            "recovered",
            "recovered_standard_uncertainty",
            "difference",
        ]
        read_only_fields = fields

    def get_counts(self, outcome: RecoveryOutcome) -> bool:
        return not hasattr(outcome.closing, "reversed_by")

    @extend_schema_field(ShownMass)
    def get_difference(self, outcome: RecoveryOutcome) -> dict[str, Any]:
        shown: dict[str, Any] = ShownMass().to_representation(
            outcome.booked_ug - outcome.recovered_ug
        )
        return shown
