"""Slimes recovery and the cells' warnings through the API."""

from __future__ import annotations

from typing import Any

from django.shortcuts import get_object_or_404
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from cells.api.runs import run_of
from cells.api.serializers import RunSerializer, WarningSerializer
from cells.models import CellRun, CellWarning, RecoveryOutcome, SlimesBag
from cells.services.cell_warnings import acknowledge_warning, refresh_warnings
from cells.services.slimes_recovery import finish_recovery, group_bags
from lots.api.commands import ActSerializer, CommandView
from lots.api.fields import MassesByMetalField, ShownMass, by_code, shown_code
from lots.api.serializers import ProcessBatchSerializer
from lots.ledger.recording import Act
from lots.models import Place, ProcessBatch
from lots.texts import REASON_MAX


@extend_schema_field({"type": "string"})
class BagField(serializers.SlugRelatedField[SlimesBag]):
    """A slimes bag by its lot's code."""


class GroupBagsInput(ActSerializer):
    bags = serializers.ListField(
        child=BagField(slug_field="lot__code", queryset=SlimesBag.objects.all()),
        help_text="The bags' lot codes.",
    )
    place = by_code(Place)
    supplies = MassesByMetalField(required=False, help_text="Metal from supplies, such as copper.")


class GroupBags(CommandView):
    """Begin the recovery of waiting bags together; its outputs are those of its process batch."""

    step = "recovery"
    input = GroupBagsInput
    output = ProcessBatchSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> ProcessBatch:
        return group_bags(
            bags=data["bags"],
            place=data["place"],
            supplies_ug=data.get("supplies", {}),
            act=act,
        )


class FinishRecovery(CommandView):
    """End a recovery: per bag and metal, what was found beside what was estimated."""

    step = "recovery"
    input = ActSerializer
    output = ProcessBatchSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> ProcessBatch:
        return finish_recovery(batch=get_object_or_404(ProcessBatch, code=path["code"]), act=act)


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


class AcknowledgementInput(ActSerializer):
    reason = serializers.CharField(max_length=REASON_MAX)


class AcknowledgeWarning(CommandView):
    """Say that a warning has been seen, and why it may stand."""

    input = AcknowledgementInput
    output = WarningSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> CellWarning:
        warning = get_object_or_404(CellWarning, pk=path["pk"])
        return acknowledge_warning(warning=warning, reason=data["reason"], act=act)


class RefreshWarnings(CommandView):
    """Bring a run's warnings up to date: new findings open, those that have passed clear."""

    input = ActSerializer
    output = RunSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> CellRun:
        return refresh_warnings(run=run_of(path["code"]), act=act)
