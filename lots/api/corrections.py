"""Putting figures right through the API: weighing differences, withdrawals, excesses explained."""

from __future__ import annotations

from typing import Any

from django.shortcuts import get_object_or_404
from rest_framework import serializers

from lots.api.commands import ActSerializer, CommandView
from lots.api.serializers import ExcessSerializer, MovementSerializer
from lots.ledger.recording import Act
from lots.measurements.excess import EXPLANATION_MAX, explain_excess
from lots.measurements.weighing_difference import post_weighing_difference
from lots.measurements.withdrawal import withdraw_assay, withdraw_measurement
from lots.models import Assay, Excess, Movement, VolumeReading, Weighing, Withdrawal
from lots.people.roles import ASSAYING


class ReasonInput(ActSerializer):
    reason = serializers.CharField(max_length=200)


class PostWeighingDifference(CommandView):
    """Bring a lot's book to a check weighing of it; its metals follow in proportion."""

    input = ReasonInput
    output = MovementSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Movement:
        weighing = get_object_or_404(Weighing, pk=path["pk"])
        return post_weighing_difference(weighing=weighing, reason=data["reason"], act=act)


class WithdrawalSerializer(serializers.ModelSerializer[Withdrawal]):
    withdrawn_by = serializers.CharField(source="withdrawn_by.username", read_only=True)

    class Meta:
        model = Withdrawal
        fields = ["id", "measurement", "assay", "reason", "withdrawn_at", "withdrawn_by"]
        read_only_fields = fields


class WithdrawWeighing(CommandView):
    """Mark a weighing as wrong; it stays on record, and what was posted by it is reversed apart."""

    input = ReasonInput
    output = WithdrawalSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Withdrawal:
        weighing = get_object_or_404(Weighing, pk=path["pk"])
        return withdraw_measurement(measurement=weighing, reason=data["reason"], act=act)


class WithdrawVolumeReading(CommandView):
    """Mark a volume reading as wrong; it stays on record."""

    input = ReasonInput
    output = WithdrawalSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Withdrawal:
        reading = get_object_or_404(VolumeReading, pk=path["pk"])
        return withdraw_measurement(measurement=reading, reason=data["reason"], act=act)


class WithdrawAssay(CommandView):
    """Mark an assay as wrong, unless its lot's content rests on it."""

    input = ReasonInput
    output = WithdrawalSerializer
    writers = ASSAYING

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Withdrawal:
        assay = get_object_or_404(Assay, pk=path["pk"])
        return withdraw_assay(assay=assay, reason=data["reason"], act=act)


class ExplanationInput(ActSerializer):
    explanation = serializers.CharField(max_length=EXPLANATION_MAX)


class ExplainExcess(CommandView):
    """Say where the metal above the book came from."""

    input = ExplanationInput
    output = ExcessSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Excess:
        excess = get_object_or_404(Excess, pk=path["pk"])
        return explain_excess(excess=excess, explanation=data["explanation"], act=act)
