"""Lots, movements and measurements as the API shows them."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from lots.api.fields import ShownMass, ShownMetals, show_volume, shown_code
from lots.ledger.holdings import Holding, holding
from lots.models import (
    Assay,
    AssayResult,
    AssayRuling,
    ClaimEntry,
    Document,
    Entry,
    Excess,
    Lot,
    LotStanding,
    MaterialEntry,
    Movement,
    ProcessBatch,
    VolumeReading,
    Weighing,
    Withdrawal,
)


class RulingSerializer(serializers.ModelSerializer[AssayRuling]):
    lot = shown_code()
    decided_by = serializers.CharField(source="decided_by.username", read_only=True)

    class Meta:
        model = AssayRuling
        fields = ["id", "lot", "assay", "reason", "decided_at", "decided_by"]
        read_only_fields = fields


class WithdrawalSerializer(serializers.ModelSerializer[Withdrawal]):
    withdrawn_by = serializers.CharField(source="withdrawn_by.username", read_only=True)

    class Meta:
        model = Withdrawal
        fields = ["id", "measurement", "assay", "reason", "withdrawn_at", "withdrawn_by"]
        read_only_fields = fields


class LotSerializer(serializers.ModelSerializer[Lot]):
    """A lot with what it holds; a list gives the holdings of its page through the context."""

    owner = shown_code()
    place = shown_code()
    received_from = shown_code()
    metals = serializers.SerializerMethodField()
    mass = serializers.SerializerMethodField()
    volume = serializers.SerializerMethodField()

    class Meta:
        model = Lot
        fields = [
            "code",
            "form",
            "description",
            "owner",
            "place",
            "state",
            "state_reason",
            "content",
            "received_from",
            "registered_at",
            "metals",
            "mass",
            "volume",
            "version",
        ]
        read_only_fields = fields

    def _holding(self, lot: Lot) -> Holding:
        known: dict[int, Holding] = self.context.get("holdings") or {}
        return known.get(lot.pk) or holding(lot)

    @extend_schema_field(ShownMetals)
    def get_metals(self, lot: Lot) -> dict[str, Any]:
        return dict(ShownMetals().to_representation(self._holding(lot).metals))

    @extend_schema_field(ShownMass)
    def get_mass(self, lot: Lot) -> dict[str, Any]:
        return dict(ShownMass().to_representation(self._holding(lot).mass_ug))

    @extend_schema_field({"type": "object", "properties": {"ul": {"type": "integer"}}})
    def get_volume(self, lot: Lot) -> dict[str, Any]:
        return show_volume(self._holding(lot).volume_ul)


class EntrySerializer(serializers.ModelSerializer[Entry]):
    lot = shown_code()
    account = shown_code()
    owner = shown_code()
    mass = ShownMass(source="mass_ug")

    class Meta:
        model = Entry
        fields = [
            "lot",
            "account",
            "owner",
            "metal",
            "mass",
            "standard_uncertainty_ug",
            "basis",
            "quantity_by",
            "content_by",
        ]
        read_only_fields = fields


class ClaimEntrySerializer(serializers.ModelSerializer[ClaimEntry]):
    owner = shown_code()
    mass = ShownMass(source="mass_ug")

    class Meta:
        model = ClaimEntry
        fields = ["owner", "metal", "mass"]
        read_only_fields = fields


class MaterialEntrySerializer(serializers.ModelSerializer[MaterialEntry]):
    lot = shown_code()
    mass = ShownMass(source="mass_ug")

    class Meta:
        model = MaterialEntry
        fields = ["lot", "mass", "volume_ul", "quantity_by"]
        read_only_fields = fields


class StandingSerializer(serializers.ModelSerializer[LotStanding]):
    lot = shown_code()
    place = shown_code()
    owner = shown_code()

    class Meta:
        model = LotStanding
        fields = ["lot", "place", "owner"]
        read_only_fields = fields


class MovementSerializer(serializers.ModelSerializer[Movement]):
    """A movement with every line of it."""

    recorded_by = serializers.CharField(source="recorded_by.username", read_only=True)
    counterparty = shown_code()
    reverses = shown_code("sequence")
    refers_to = shown_code("sequence")
    reversed_by = serializers.SerializerMethodField()
    entries = EntrySerializer(many=True, read_only=True)
    claims = ClaimEntrySerializer(many=True, read_only=True, source="claim_entries")
    materials = MaterialEntrySerializer(many=True, read_only=True, source="material_entries")
    standings = StandingSerializer(many=True, read_only=True)

    class Meta:
        model = Movement
        fields = [
            "sequence",
            "kind",
            "stage",
            "cause",
            "occurred_at",
            "recorded_at",
            "recorded_by",
            "counterparty",
            "reverses",
            "reversed_by",
            "refers_to",
            "note",
            "digest",
            "entries",
            "claims",
            "materials",
            "standings",
        ]
        read_only_fields = fields

    def get_reversed_by(self, movement: Movement) -> int | None:
        reversal = getattr(movement, "reversed_by", None)
        return None if reversal is None else int(reversal.sequence)


class WeighingSerializer(serializers.ModelSerializer[Weighing]):
    lot = shown_code()
    balance = shown_code()
    taken_by = serializers.CharField(source="taken_by.username", read_only=True)
    gross = ShownMass(source="gross_ug")
    tare = ShownMass(source="tare_ug")
    net = ShownMass(source="net_ug")
    standard_uncertainty = ShownMass(source="standard_uncertainty_ug")
    warnings = serializers.SerializerMethodField()
    withdrawn = serializers.SerializerMethodField()

    class Meta:
        model = Weighing
        fields = [
            "id",
            "lot",
            "purpose",
            "balance",
            "gross",
            "tare",
            "net",
            "standard_uncertainty",
            "calibration_overdue",
            "warnings",
            "withdrawn",
            "entered_as",
            "taken_at",
            "recorded_at",
            "taken_by",
            "note",
        ]
        read_only_fields = fields

    def get_warnings(self, weighing: Weighing) -> list[str]:
        if not weighing.calibration_overdue:
            return []
        return [f"Balance {weighing.balance} was past its calibration date."]

    def get_withdrawn(self, weighing: Weighing) -> str | None:
        withdrawal = getattr(weighing, "withdrawal", None)
        return None if withdrawal is None else str(withdrawal.reason)


class VolumeReadingSerializer(serializers.ModelSerializer[VolumeReading]):
    lot = shown_code()

    class Meta:
        model = VolumeReading
        fields = [
            "id",
            "lot",
            "volume_ul",
            "standard_uncertainty_ul",
            "taken_at",
            "recorded_at",
            "note",
        ]
        read_only_fields = fields


class AssayResultSerializer(serializers.ModelSerializer[AssayResult]):
    class Meta:
        model = AssayResult
        fields = ["metal", "value", "standard_uncertainty"]
        read_only_fields = fields


class AssaySerializer(serializers.ModelSerializer[Assay]):
    lot = shown_code()
    sample = shown_code()
    laboratory = shown_code()
    results = AssayResultSerializer(many=True, read_only=True)
    rules = serializers.SerializerMethodField()
    withdrawn = serializers.SerializerMethodField()

    class Meta:
        model = Assay
        fields = [
            "id",
            "lot",
            "sample",
            "method",
            "laboratory",
            "side",
            "basis",
            "certificate",
            "taken_at",
            "reported_at",
            "recorded_at",
            "note",
            "results",
            "rules",
            "withdrawn",
        ]
        read_only_fields = fields

    def get_rules(self, assay: Assay) -> bool:
        rulings = [
            ruling
            for ruling in assay.lot.rulings.all()
            if not hasattr(ruling.movement, "reversed_by")
        ]
        latest = max(rulings, key=lambda each: (each.decided_at, each.pk), default=None)
        return latest is not None and latest.assay_id == assay.pk

    def get_withdrawn(self, assay: Assay) -> str | None:
        withdrawal = getattr(assay, "withdrawal", None)
        return None if withdrawal is None else str(withdrawal.reason)


class ProcessBatchSerializer(serializers.ModelSerializer[ProcessBatch]):
    vessel = shown_code()
    owner = serializers.CharField(source="vessel.owner.code", read_only=True)
    closing_movement = shown_code("sequence")

    class Meta:
        model = ProcessBatch
        fields = [
            "code",
            "kind",
            "state",
            "vessel",
            "owner",
            "started_at",
            "closed_at",
            "closing_movement",
            "note",
            "version",
        ]
        read_only_fields = fields


class DocumentSerializer(serializers.ModelSerializer[Document]):
    lot = shown_code()
    party = shown_code()

    class Meta:
        model = Document
        fields = [
            "id",
            "lot",
            "party",
            "kind",
            "retention_until",
            "name",
            "content_type",
            "size_bytes",
            "sha256",
            "added_at",
        ]
        read_only_fields = fields


class ExcessSerializer(serializers.ModelSerializer[Excess]):
    lot = shown_code()
    account = shown_code()
    movement = shown_code("sequence")
    excess = ShownMass(source="excess_ug")

    class Meta:
        model = Excess
        fields = [
            "id",
            "movement",
            "lot",
            "account",
            "metal",
            "excess",
            "limit_of_error_ug",
            "state",
            "explanation",
            "explained_at",
        ]
        read_only_fields = fields
