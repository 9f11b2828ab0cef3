"""Process batches through the API: start, add, take out, close."""

from __future__ import annotations

from typing import Any

from django.shortcuts import get_object_or_404
from rest_framework import serializers

from lots.api.commands import ActSerializer, CommandView
from lots.api.fields import MassesByMetalField, by_code
from lots.api.inputs import OutputSerializer, TakeSerializer
from lots.api.serializers import LotSerializer, MovementSerializer, ProcessBatchSerializer
from lots.ledger.recording import Act
from lots.models import Lot, Movement, Place, ProcessBatch
from lots.services.process_batches import (
    Inputs,
    add_inputs,
    close_batch,
    record_output,
    start_batch,
)


class StartBatchInput(ActSerializer):
    kind = serializers.ChoiceField(choices=ProcessBatch.Kind.choices)
    place = by_code(Place)
    inputs = TakeSerializer(many=True)
    supplies = MassesByMetalField(required=False, help_text="Metal from supplies, such as copper.")
    keep_apart = serializers.BooleanField(
        default=True, help_text="One customer's metal stays theirs; false joins it to the pool."
    )


class StartBatch(CommandView):
    """Start a process batch: its inputs leave their lots and stand in its vessel."""

    input = StartBatchInput
    output = ProcessBatchSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> ProcessBatch:
        return start_batch(
            kind=data["kind"],
            place=data["place"],
            inputs=Inputs(data["inputs"], data.get("supplies", {})),
            keep_apart=data["keep_apart"],
            act=act,
        )


class BatchInputsInput(ActSerializer):
    inputs = TakeSerializer(many=True)
    supplies = MassesByMetalField(required=False)


class AddInputs(CommandView):
    """Add more to an open batch."""

    input = BatchInputsInput
    output = MovementSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Movement:
        return add_inputs(
            batch=get_object_or_404(ProcessBatch, code=path["code"]),
            inputs=Inputs(data["inputs"], data.get("supplies", {})),
            act=act,
        )


class BatchOutputInput(ActSerializer):
    output = OutputSerializer()


class RecordOutput(CommandView):
    """Take one output out of an open batch as a new lot."""

    input = BatchOutputInput
    output = LotSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Lot:
        batch = get_object_or_404(ProcessBatch, code=path["code"])
        return record_output(batch=batch, output=data["output"], act=act)


class CloseBatch(CommandView):
    """Close a batch: what its vessel still holds by the book becomes its difference."""

    input = ActSerializer
    output = ProcessBatchSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> ProcessBatch:
        return close_batch(batch=get_object_or_404(ProcessBatch, code=path["code"]), act=act)
