"""Whose metal it is, through the API: lots change owner, claims are settled."""

from __future__ import annotations

from typing import Any

from django.shortcuts import get_object_or_404
from rest_framework import serializers

from lots.api.commands import ActSerializer, CommandView
from lots.api.fields import MassesByMetalField, by_code
from lots.api.serializers import MovementSerializer
from lots.ledger.recording import Act
from lots.models import Lot, Movement, Party
from lots.people.roles import OFFICE
from lots.services.ownership import change_owner, settle_claim


class OwnerInput(ActSerializer):
    owner = by_code(Party, help_text="The new owner.")
    as_claim = serializers.BooleanField(
        default=False, help_text="Against a claim on the works' pool rather than sold or bought."
    )


class ChangeOwner(CommandView):
    """Pass a whole lot to another owner; it stays where it is.

    Contracts and local law decide when title passes; this records that it did.
    """

    input = OwnerInput
    output = MovementSerializer
    writers = OFFICE

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Movement:
        lot = get_object_or_404(Lot, code=path["code"])
        return change_owner(lot=lot, owner=data["owner"], as_claim=data["as_claim"], act=act)


class SettleClaimInput(ActSerializer):
    owner = by_code(Party)
    metals = MassesByMetalField()
    to = by_code(
        Party, required=False, allow_null=True, default=None, help_text="The house when left out."
    )


class SettleClaim(CommandView):
    """Take metal off an owner's claim: bought by the house, or passed to another's claim.

    Prices and tax are for the contract and local law.
    """

    input = SettleClaimInput
    output = MovementSerializer
    writers = OFFICE

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Movement:
        return settle_claim(owner=data["owner"], metals=data["metals"], to=data["to"], act=act)
