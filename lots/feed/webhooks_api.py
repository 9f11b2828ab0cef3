"""Subscriptions to events through the API, and the events that did not arrive: for the office."""

from __future__ import annotations

from typing import Any

import django_filters as filters
from django.shortcuts import get_object_or_404
from rest_framework import serializers
from rest_framework.viewsets import ReadOnlyModelViewSet

from lots.api.commands import ActSerializer, CommandView
from lots.api.fields import by_code, shown_code
from lots.api.questions import Question, QuestionView
from lots.feed.message_signature import shown_secret
from lots.feed.subscriptions import (
    Wanted,
    resend_event,
    secret_of,
    start_subscription,
    stop_subscription,
    subscribe,
)
from lots.ledger.recording import Act
from lots.models import ApiToken, EventDelivery, EventSubscription, Movement, Party
from lots.people.permissions import WorksOffice
from lots.people.roles import OFFICE


class SubscriptionSerializer(serializers.ModelSerializer[EventSubscription]):
    """A subscription without its secret. `after` is the last event dealt with."""

    party = shown_code()
    kinds = serializers.ListField(child=serializers.CharField(), read_only=True)
    created_by = serializers.CharField(source="created_by.username", read_only=True)

    class Meta:
        model = EventSubscription
        fields = [
            "id",
            "name",
            "url",
            "kinds",
            "party",
            "is_active",
            "stopped_because",
            "after",
            "delivered",
            "last_delivered_at",
            "created_at",
            "created_by",
        ]
        read_only_fields = fields


class DeliverySerializer(serializers.ModelSerializer[EventDelivery]):
    """An event that did not arrive at once. `event` is its id among the events."""

    event = serializers.IntegerField(source="sequence", read_only=True)

    class Meta:
        model = EventDelivery
        fields = [
            "id",
            "subscription",
            "event",
            "state",
            "tries",
            "last_failure",
            "first_tried_at",
            "last_tried_at",
            "next_try_at",
        ]
        read_only_fields = fields


class DeliveryFilter(filters.FilterSet):
    subscription = filters.NumberFilter(field_name="subscription_id")
    state = filters.MultipleChoiceFilter(choices=EventDelivery.State.choices)

    class Meta:
        model = EventDelivery
        fields: list[str] = []


class SubscriptionViewSet(ReadOnlyModelViewSet[EventSubscription]):
    """Who is told of events as they happen."""

    queryset = EventSubscription.objects.select_related("party", "created_by")
    serializer_class = SubscriptionSerializer
    permission_classes = [WorksOffice]
    lookup_value_regex = "[0-9]{1,18}"
    search_fields = ["name", "url"]
    ordering_fields = ["name", "created_at"]
    ordering = ["-id"]


class DeliveryViewSet(ReadOnlyModelViewSet[EventDelivery]):
    """Events that did not arrive at once: being retried, delivered late, or given up."""

    queryset = EventDelivery.objects.all()
    serializer_class = DeliverySerializer
    filterset_class = DeliveryFilter
    permission_classes = [WorksOffice]
    lookup_value_regex = "[0-9]{1,18}"
    search_fields = ["subscription__name", "last_failure"]
    ordering_fields = ["last_tried_at", "sequence"]
    ordering = ["-id"]


class SubscribeInput(ActSerializer):
    name = serializers.CharField(max_length=80)
    url = serializers.CharField(max_length=300)
    kinds = serializers.MultipleChoiceField(
        choices=Movement.Kind.choices, required=False, help_text="All kinds when left out."
    )
    party = by_code(
        Party, required=False, allow_null=True, default=None, help_text="Only its lots' events."
    )
    after = serializers.IntegerField(
        required=False, min_value=0, max_value=2**62, help_text="What comes next if left out."
    )


class Subscribe(CommandView):
    """Have each event sent to an address, signed. `deliver_events` sends; read the secret apart."""

    input = SubscribeInput
    output = SubscriptionSerializer
    writers = OFFICE

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> EventSubscription:
        wanted = Wanted(**{**data, "kinds": sorted(data.get("kinds", ()))})
        return subscribe(wanted=wanted, act=act)


class StopSubscription(CommandView):
    """Send nothing more there until it is started again."""

    input = ActSerializer
    output = SubscriptionSerializer
    writers = OFFICE

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> EventSubscription:
        subscription = get_object_or_404(EventSubscription, pk=path["pk"])
        return stop_subscription(subscription=subscription, act=act)


class StartSubscription(CommandView):
    """Send again, beginning with the first event that was not dealt with."""

    input = ActSerializer
    output = SubscriptionSerializer
    writers = OFFICE

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> EventSubscription:
        subscription = get_object_or_404(EventSubscription, pk=path["pk"])
        return start_subscription(subscription=subscription, act=act)


class ResendEvent(CommandView):
    """Send an event again that was given up."""

    input = ActSerializer
    output = DeliverySerializer
    writers = OFFICE

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> EventDelivery:
        delivery = get_object_or_404(EventDelivery, pk=path["pk"])
        return resend_event(delivery=delivery, act=act)


class SubscriptionSecret(QuestionView):
    """The secret that a subscription's messages are signed with, for its receiver."""

    asks = Question
    shows = {"secret": str}
    scope = ApiToken.Scope.ADMINISTER
    permission_classes = [WorksOffice]

    def answer(self, asked: dict[str, Any], **path: Any) -> dict[str, str]:
        subscription = get_object_or_404(EventSubscription, pk=path["pk"])
        return {"secret": shown_secret(secret_of(subscription))}
