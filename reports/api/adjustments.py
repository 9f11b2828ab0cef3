"""Bringing the books to a count through the API: proposed by one person, decided by another."""

from __future__ import annotations

from typing import Any

import django_filters as filters
from django.shortcuts import get_object_or_404
from rest_framework import serializers
from rest_framework.viewsets import ReadOnlyModelViewSet

from lots.api.commands import ActSerializer, CommandView
from lots.api.fields import shown_code, shown_name
from lots.ledger.recording import Act
from lots.people.permissions import WorksOffice
from lots.people.roles import OFFICE
from reports.api.counts import CountedMetalSerializer, CountSheetSerializer, sheet_of
from reports.models import CountAdjustment, CountSheet
from reports.services.approvals import (
    approve_adjustments,
    decline_adjustment,
    propose_adjustments,
)


class AdjustmentSerializer(serializers.ModelSerializer[CountAdjustment]):
    """A proposal to bring the book of one lot to its count."""

    sheet = serializers.CharField(source="line.sheet.code", read_only=True)
    lot = serializers.CharField(source="line.lot.code", read_only=True)
    proposed_by = serializers.CharField(source="proposed_by.username", read_only=True)
    decided_by = shown_name("decided_by.username")
    movement = shown_code("sequence")
    metals = CountedMetalSerializer(source="line.metals", many=True, read_only=True)

    class Meta:
        model = CountAdjustment
        fields = [
            "id",
            "sheet",
            "lot",
            "cause",
            "state",
            "note",
            "proposed_by",
            "proposed_at",
            "decided_by",
            "decided_at",
            "movement",
            "metals",
        ]
        read_only_fields = fields


class AdjustmentFilter(filters.FilterSet):
    sheet = filters.CharFilter(field_name="line__sheet__code")
    lot = filters.CharFilter(field_name="line__lot__code")
    state = filters.MultipleChoiceFilter(choices=CountAdjustment.State.choices)
    cause = filters.MultipleChoiceFilter(choices=CountAdjustment.Cause.choices)

    class Meta:
        model = CountAdjustment
        fields: list[str] = []


class AdjustmentViewSet(ReadOnlyModelViewSet[CountAdjustment]):
    queryset = CountAdjustment.objects.select_related(
        "line__sheet", "line__lot", "proposed_by", "decided_by", "movement"
    ).prefetch_related("line__metals")
    serializer_class = AdjustmentSerializer
    permission_classes = [WorksOffice]
    filterset_class = AdjustmentFilter
    lookup_value_regex = "[0-9]{1,18}"
    search_fields = ["line__lot__code", "line__sheet__code", "note"]
    ordering_fields = ["proposed_at", "state"]
    ordering = ["-proposed_at", "-id"]


class ProposalInput(ActSerializer):
    causes = serializers.DictField(
        child=serializers.CharField(max_length=20),
        help_text="By lot code, the cause of its difference: "
        + ", ".join(CountAdjustment.Cause.values)
        + ".",
    )


class ProposeAdjustments(CommandView):
    """Propose to bring the book of counted lots to their count; nothing is posted by it."""

    input = ProposalInput
    output = CountSheetSerializer
    writers = OFFICE

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> CountSheet:
        return propose_adjustments(sheet=sheet_of(path["code"]), causes=data["causes"], act=act)


class ApproveAdjustments(CommandView):
    """Post every adjustment that another person proposed on the sheet."""

    input = ActSerializer
    output = CountSheetSerializer
    writers = OFFICE

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> CountSheet:
        return approve_adjustments(sheet=sheet_of(path["code"]), act=act)


class DeclineAdjustment(CommandView):
    """Turn a proposal down; the difference stays open, and the note says why."""

    input = ActSerializer
    output = AdjustmentSerializer
    writers = OFFICE

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> CountAdjustment:
        adjustment = get_object_or_404(CountAdjustment, pk=path["pk"])
        return decline_adjustment(adjustment=adjustment, act=act)
