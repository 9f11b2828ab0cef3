"""Setting a lot aside through the API, and letting it be used again."""

from __future__ import annotations

from typing import Any

from django.shortcuts import get_object_or_404
from rest_framework import serializers

from lots.api.commands import ActSerializer, CommandView
from lots.api.fields import by_code
from lots.api.serializers import MovementSerializer
from lots.ledger.recording import Act
from lots.models import Lot, Movement, Place
from lots.people.roles import ASSAYING
from lots.services.quarantine import quarantine_lot, release_lot


class QuarantineInput(ActSerializer):
    reason = serializers.CharField(max_length=200)
    place = by_code(
        Place, required=False, allow_null=True, default=None, help_text="When it is carried there."
    )


class QuarantineLot(CommandView):
    """Set a lot aside; nothing is made of it meanwhile."""

    input = QuarantineInput
    output = MovementSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Movement:
        lot = get_object_or_404(Lot, code=path["code"])
        return quarantine_lot(lot=lot, reason=data["reason"], place=data["place"], act=act)


class ReleaseLot(CommandView):
    """Let a lot be used again, and say why."""

    input = QuarantineInput
    output = MovementSerializer
    writers = ASSAYING

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Movement:
        lot = get_object_or_404(Lot, code=path["code"])
        return release_lot(lot=lot, reason=data["reason"], place=data["place"], act=act)
