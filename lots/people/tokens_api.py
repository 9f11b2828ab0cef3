"""Keys for programs through the API: made with a password, listed, revoked."""

from __future__ import annotations

from typing import Any

import django_filters as filters
from django.contrib.auth import authenticate
from django.db.models import QuerySet
from django.shortcuts import get_object_or_404
from drf_spectacular.utils import extend_schema
from rest_framework import exceptions, serializers, status
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView
from rest_framework.viewsets import ReadOnlyModelViewSet

from config.asker import address_of
from lots.api.commands import ActSerializer, CommandView
from lots.ledger.recording import Act
from lots.models import ApiToken, SignInAttempt
from lots.people.attempts import knock, let_in
from lots.people.permissions import AnyRole
from lots.people.token_list import is_outlived, tokens_seen_by
from lots.people.tokens import DAYS_MAX, make_token, revoke_token


class TokenSerializer(serializers.ModelSerializer[ApiToken]):
    """A token without its key."""

    user = serializers.CharField(source="user.username", read_only=True)
    scopes = serializers.ListField(child=serializers.CharField(), read_only=True)
    password_changed = serializers.SerializerMethodField(
        help_text="Whether its person's password was changed since; it opens nothing then."
    )

    def get_password_changed(self, token: ApiToken) -> bool:
        return is_outlived(token)

    class Meta:
        model = ApiToken
        fields = [
            "id",
            "user",
            "name",
            "shown_start",
            "scopes",
            "created_at",
            "expires_at",
            "last_used_at",
            "revoked_at",
            "password_changed",
        ]
        read_only_fields = fields


class NewTokenSerializer(TokenSerializer):
    """`token` is the key, told this once."""

    token = serializers.CharField(read_only=True)

    class Meta(TokenSerializer.Meta):
        fields = ["token", *TokenSerializer.Meta.fields]
        read_only_fields = fields


class TokenInput(serializers.Serializer[Any]):
    username = serializers.CharField(max_length=150)
    password = serializers.CharField(max_length=500, trim_whitespace=False)
    name = serializers.CharField(max_length=80, default="a program")
    scopes = serializers.ListField(
        child=serializers.ChoiceField(choices=ApiToken.Scope.choices),
        default=[ApiToken.Scope.READ.value],
        max_length=10,
    )
    days = serializers.IntegerField(
        default=30, min_value=-1000, max_value=10_000, help_text=f"1 to {DAYS_MAX}."
    )


class ObtainToken(APIView):
    """Make a token with a name and a password. It reads unless `scopes` says more."""

    authentication_classes = ()
    permission_classes = ()
    body_bytes_max = 16 * 1024  # strangers send it

    def get_authenticate_header(self, request: Request) -> str:
        """So that a wrong password is answered 401 and not 403."""
        return "Password"

    @extend_schema(request=TokenInput, responses={201: NewTokenSerializer})
    def post(self, request: Request) -> Response:
        body = TokenInput(data=request.data)
        body.is_valid(raise_exception=True)
        data = body.validated_data
        attempt = knock(
            door=SignInAttempt.Door.TOKEN, name=data["username"], address=address_of(request)
        )
        user = authenticate(request, username=data["username"], password=data["password"])
        if user is None:
            raise exceptions.AuthenticationFailed(
                "This name and password do not belong together.", code="wrong_password"
            )
        let_in(attempt, user)
        token, key = make_token(
            user=user,
            name=data["name"],
            scopes=data["scopes"],
            days=data["days"],
            created_by=user,
        )
        token.token = key  # type: ignore[attr-defined]
        answer = NewTokenSerializer(token).data
        return Response(
            answer, status=status.HTTP_201_CREATED, headers={"Cache-Control": "no-store"}
        )


class TokenFilter(filters.FilterSet):
    user = filters.CharFilter(field_name="user__username")
    revoked = filters.BooleanFilter(field_name="revoked_at", lookup_expr="isnull", exclude=True)

    class Meta:
        model = ApiToken
        fields: list[str] = []


class TokenViewSet(ReadOnlyModelViewSet[ApiToken]):
    """One's own tokens; the manager sees everyone's."""

    queryset = ApiToken.objects.select_related("user")
    serializer_class = TokenSerializer
    filterset_class = TokenFilter
    permission_classes = [AnyRole]
    lookup_value_regex = "[0-9]{1,18}"
    search_fields = ["name", "user__username"]
    ordering_fields = ["created_at", "expires_at", "last_used_at"]
    ordering = ["-created_at", "-id"]

    def get_queryset(self) -> QuerySet[ApiToken]:
        return tokens_seen_by(self.request.user).select_related("user")


class RevokeToken(CommandView):
    """Close a token at once and for good: one's own, or anybody's for the manager."""

    input = ActSerializer
    output = TokenSerializer
    permission_classes = [AnyRole]

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> ApiToken:
        token = get_object_or_404(tokens_seen_by(self.request.user), pk=path["pk"])
        return revoke_token(token=token, act=act)
