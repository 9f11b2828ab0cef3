"""Links to one statement or one lot's answer, and who read customers' data: for the office."""

from __future__ import annotations

from typing import Any

import django_filters as filters
from django.db import transaction
from django.shortcuts import get_object_or_404
from django.urls import reverse
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.viewsets import ReadOnlyModelViewSet

from lots.api.commands import ActSerializer, CommandView, act_of, as_plain
from lots.api.fields import by_code, shown_code, shown_name
from lots.ledger.recording import Act, remember_answer
from lots.models import Lot, Party
from lots.people.permissions import WorksOffice, customer_looking
from lots.people.roles import OFFICE
from reports.models import AccessRecord, Settlement, SharedLink
from reports.services.access_records import record_access
from reports.services.shared_links import DAYS_MAX, revoke_link, share_link


def note_read(
    request: Request, customer: Party | None, what: str, reference: str, form: str
) -> None:
    """Keeps that the signed-in person read a customer's data, a customer their own included."""
    record_access(
        customer=customer_looking(request) or customer,
        what=what,
        reference=reference,
        form=form,
        user=request.user,  # type: ignore[arg-type]
    )


class SharedLinkSerializer(serializers.ModelSerializer[SharedLink]):
    """A link without its token, which is not kept."""

    customer = shown_code()
    settlement = shown_code()
    lot = shown_code()
    created_by = serializers.CharField(source="created_by.username", read_only=True)
    revoked_by = shown_name("revoked_by.username")

    class Meta:
        model = SharedLink
        fields = [
            "id",
            "customer",
            "settlement",
            "lot",
            "note",
            "created_at",
            "created_by",
            "expires_at",
            "revoked_at",
            "revoked_by",
            "reads",
            "last_read_at",
        ]
        read_only_fields = fields


class NewLinkSerializer(SharedLinkSerializer):
    """`address` is given this once: a repeated request gets the link with null in its place."""

    address = serializers.CharField(read_only=True, allow_null=True)

    class Meta(SharedLinkSerializer.Meta):
        fields = [*SharedLinkSerializer.Meta.fields, "address"]
        read_only_fields = fields


class ShareInput(ActSerializer):
    settlement = by_code(Settlement, required=False, allow_null=True, default=None)
    lot = by_code(Lot, required=False, allow_null=True, default=None)
    days = serializers.IntegerField(
        default=14, min_value=-1000, max_value=10_000, help_text=f"1 to {DAYS_MAX}."
    )


class ShareLink(CommandView):
    """Make a link that shows one settlement, or one lot's answer, without a sign-in.

    Whoever has the address can read it until it expires or is revoked.
    """

    input = ShareInput
    output = NewLinkSerializer
    writers = OFFICE

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> SharedLink:
        return share_link(
            settlement=data["settlement"], lot=data["lot"], days=data["days"], act=act
        )

    def record(self, request: Request, **path: Any) -> Response:
        """As every command, but the address is never among the answers that are kept."""
        body = self.input(data=request.data, context={"request": request})
        body.is_valid(raise_exception=True)
        data = dict(body.validated_data)
        act = act_of(request, data)
        with transaction.atomic():
            link = self.perform(act, data, **path)
            kept = remember_answer(act.key, as_plain(SharedLinkSerializer(link).data))
        token = getattr(link, "token", None)
        address = token and request.build_absolute_uri(reverse("shared", args=[token]))
        return Response({**kept, "address": address}, status=self.answer_status)


class RevokeLink(CommandView):
    """Close a link at once and for good."""

    input = ActSerializer
    output = SharedLinkSerializer
    writers = OFFICE

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> SharedLink:
        return revoke_link(link=get_object_or_404(SharedLink, pk=path["pk"]), act=act)


class SharedLinkFilter(filters.FilterSet):
    customer = filters.CharFilter(field_name="customer__code")
    settlement = filters.CharFilter(field_name="settlement__code")
    lot = filters.CharFilter(field_name="lot__code")
    revoked = filters.BooleanFilter(field_name="revoked_at", lookup_expr="isnull", exclude=True)
    expires_after = filters.IsoDateTimeFilter(field_name="expires_at", lookup_expr="gte")
    expires_before = filters.IsoDateTimeFilter(field_name="expires_at", lookup_expr="lt")

    class Meta:
        model = SharedLink
        fields: list[str] = []


class SharedLinkViewSet(ReadOnlyModelViewSet[SharedLink]):
    queryset = SharedLink.objects.select_related(
        "customer", "settlement", "lot", "created_by", "revoked_by"
    )
    serializer_class = SharedLinkSerializer
    filterset_class = SharedLinkFilter
    permission_classes = [WorksOffice]
    lookup_value_regex = "[0-9]{1,18}"
    search_fields = ["settlement__code", "lot__code", "customer__name", "note"]
    ordering_fields = ["created_at", "expires_at", "last_read_at", "reads"]
    ordering = ["-created_at", "-id"]


class AccessRecordSerializer(serializers.ModelSerializer[AccessRecord]):
    user = shown_name("user.username")
    customer = shown_code()

    class Meta:
        model = AccessRecord
        fields = ["id", "read_at", "user", "link", "customer", "what", "reference", "form"]
        read_only_fields = fields


class AccessRecordFilter(filters.FilterSet):
    customer = filters.CharFilter(field_name="customer__code")
    user = filters.CharFilter(field_name="user__username")
    link = filters.NumberFilter(field_name="link_id", min_value=1, max_value=2**62)
    what = filters.MultipleChoiceFilter(choices=AccessRecord.What.choices)
    reference = filters.CharFilter()
    read_after = filters.IsoDateTimeFilter(field_name="read_at", lookup_expr="gte")
    read_before = filters.IsoDateTimeFilter(field_name="read_at", lookup_expr="lt")

    class Meta:
        model = AccessRecord
        fields: list[str] = []


class AccessRecordViewSet(ReadOnlyModelViewSet[AccessRecord]):
    """Who read which customer's data, newest first. Rows are only ever added."""

    queryset = AccessRecord.objects.select_related("user", "customer")
    serializer_class = AccessRecordSerializer
    filterset_class = AccessRecordFilter
    permission_classes = [WorksOffice]
    lookup_value_regex = "[0-9]{1,18}"
    search_fields = ["reference", "user__username", "customer__name"]
    ordering_fields = ["read_at"]
    ordering = ["-read_at", "-id"]
