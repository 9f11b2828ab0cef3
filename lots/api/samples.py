"""Samples through the API: taken for the laboratory, used up there."""

from __future__ import annotations

from typing import Any

from django.shortcuts import get_object_or_404
from rest_framework import serializers

from lots.api.commands import ActSerializer, CommandView
from lots.api.fields import MassField, VolumeField, by_code
from lots.api.serializers import LotSerializer, MovementSerializer
from lots.ledger.recording import Act
from lots.models import Lot, Movement, Place
from lots.services.sampling import take_sample, use_up_sample


class SampleInput(ActSerializer):
    place = by_code(Place, help_text="A place of the laboratory.")
    mass = MassField(required=False)
    volume = VolumeField(required=False)
    description = serializers.CharField(
        max_length=200, required=False, default="", allow_blank=True
    )


class TakeSample(CommandView):
    """Take a sample of stated mass or volume out of a lot, also out of one in quarantine."""

    input = SampleInput
    output = LotSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Lot:
        return take_sample(
            lot=get_object_or_404(Lot, code=path["code"]),
            place=data["place"],
            mass_ug=data.get("mass"),
            volume_ul=data.get("volume"),
            description=data["description"],
            act=act,
        )


class UseUpInput(ActSerializer):
    mass = MassField(required=False, help_text="All of it when left out.")


class UseUpSample(CommandView):
    """Record what of a sample the assay used up."""

    input = UseUpInput
    output = MovementSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Movement:
        sample = get_object_or_404(Lot, code=path["code"])
        return use_up_sample(sample=sample, mass_ug=data.get("mass"), act=act)
