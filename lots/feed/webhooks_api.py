"""What a subscription's messages are signed with, and what late deliveries are narrowed by."""

from __future__ import annotations

from typing import Any, ClassVar

import django_filters as filters
from django.shortcuts import get_object_or_404

from lots.api.listed import narrowed
from lots.api.questions import QuestionView
from lots.feed.message_signature import shown_secret
from lots.feed.subscriptions import secret_of
from lots.models import ApiToken, EventDelivery, EventSubscription
from lots.people.permissions import WorksOffice

DeliveryFilter = narrowed(
    EventDelivery,
    subscription=filters.NumberFilter(field_name="subscription_id"),
    state=EventDelivery.State,
)


class SubscriptionSecret(QuestionView):
    """The secret that a subscription's messages are signed with, for its receiver."""

    asks: ClassVar[dict[str, Any]] = {}
    shows = {"secret": str}
    scope = ApiToken.Scope.ADMINISTER
    permission_classes = [WorksOffice]

    def answer(self, asked: dict[str, Any], **path: Any) -> dict[str, str]:
        subscription = get_object_or_404(EventSubscription, pk=path["pk"])
        return {"secret": shown_secret(secret_of(subscription))}
