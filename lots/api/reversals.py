"""Taking a movement back through the API."""

from __future__ import annotations

from typing import Any

from django.shortcuts import get_object_or_404
from rest_framework import serializers

from lots.api.commands import ActSerializer, CommandView
from lots.api.serializers import MovementSerializer
from lots.ledger.recording import Act
from lots.ledger.reversal import reverse_movement
from lots.models import Movement
from lots.people.permissions import role_of
from lots.people.roles import check_may_reverse


class ReversalInput(ActSerializer):
    reason = serializers.CharField(max_length=200)


class ReverseMovement(CommandView):
    """Reverse a movement: its exact opposite is posted, and both stay on record."""

    input = ReversalInput
    output = MovementSerializer

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Movement:
        movement = get_object_or_404(Movement, sequence=path["sequence"])
        check_may_reverse(movement, role_of(self.request))
        return reverse_movement(movement=movement, reason=data["reason"], act=act)
