"""Receiving, weighing and assaying through the API."""

from __future__ import annotations

from typing import Any

from django.shortcuts import get_object_or_404
from rest_framework import serializers

from lots.api.commands import ActSerializer, CommandView
from lots.api.inputs import AssaySerializerInput, ReceiptInput, WeightSerializer
from lots.api.serializers import AssaySerializer, LotSerializer, WeighingSerializer
from lots.ledger.recording import Act
from lots.measurements.assays import record_assay
from lots.measurements.weighings import record_weighing
from lots.models import Lot, Weighing
from lots.services.receipt import Receipt, receive_lot


class ReceiveLot(CommandView):
    """Receive a lot at the door.

    Its declared content is provisional until an assay rules.
    """

    step = "receive"
    input = ReceiptInput
    output = LotSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Lot:
        return receive_lot(
            receipt=Receipt(
                party=data["party"],
                owner=data["owner"],
                form=data["form"],
                place=data["place"],
                weight=data["weight"],
                declared=data.get("declared", {}),
                description=data["description"],
                code=data["code"],
            ),
            act=act,
        )


class WeighingInput(ActSerializer):
    weight = WeightSerializer()
    purpose = serializers.ChoiceField(
        choices=Weighing.Purpose.choices, default=Weighing.Purpose.CHECK
    )


class RecordWeighing(CommandView):
    """Record a weighing of a lot.

    It changes nothing on the books by itself; posting its difference is an act of its own.
    """

    input = WeighingInput
    output = WeighingSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Weighing:
        lot = get_object_or_404(Lot, code=path["code"])
        return record_weighing(lot=lot, weight=data["weight"], purpose=data["purpose"], act=act)


class AssayInput(ActSerializer):
    assay = AssaySerializerInput()


class RecordAssay(CommandView):
    """Record a laboratory's report of a lot."""

    step = "assay"
    input = AssayInput
    output = AssaySerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Any:
        lot = get_object_or_404(Lot, code=path["code"])
        return record_assay(lot=lot, report=data["assay"], act=act)
