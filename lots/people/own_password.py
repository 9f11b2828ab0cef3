"""Choosing a password of one's own; who was given one, or a link, sees no other page before."""

from __future__ import annotations

from typing import Any, Final

from django.contrib import messages
from django.contrib.auth import update_session_auth_hash
from django.contrib.auth.forms import SetPasswordForm
from django.contrib.auth.views import PasswordChangeView
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect
from drf_spectacular.utils import extend_schema
from rest_framework import serializers, status
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from config.api import is_api
from config.asker import address_of
from config.pages import put_refusal
from config.refusals import RefusalError, TooManyError, refuse
from lots.ledger.recording import Act
from lots.models import ApiToken, SignInAttempt
from lots.people.access import person_of
from lots.people.acting import not_chosen
from lots.people.attempts import knock, let_in
from lots.people.permissions import AnyRole
from lots.people.sign_in import BY_LINK
from lots.people.ways_in import choose_password

_OPEN: Final = {"own-password", "own-password-by-program", "sign-out"}


class OwnPassword(PasswordChangeView):
    """Asks for the password of now, but not of somebody who came in by a one-time link."""

    template_name = "lots/own_password.html"

    def get_form_class(self) -> Any:
        return SetPasswordForm if self._came_by_link() else super().get_form_class()

    def post(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        form = self.get_form()
        try:
            attempt = knock_own(request)
        except TooManyError as refusal:
            put_refusal(form, refusal)
            answer = self.render_to_response(self.get_context_data(form=form), status=429)
            answer.headers["Retry-After"] = str(refusal.wait_s)
            return answer
        valid = form.is_valid()
        if not form.has_error("old_password"):
            let_in(attempt, request.user)
        return self.form_valid(form) if valid else self.form_invalid(form)

    def form_valid(self, form: Any) -> HttpResponse:
        password = form.cleaned_data["new_password1"]
        try:
            choose_password(user=form.user, password=password, act=Act(who=form.user))
        except RefusalError as refusal:
            form.asked_as = {"password": "new_password1"}
            put_refusal(form, refusal)
            return self.form_invalid(form)
        self.request.session.pop(BY_LINK, None)
        update_session_auth_hash(self.request, form.user)
        messages.success(self.request, "Changed. Your other sessions are signed out.")
        return redirect("/")

    def form_invalid(self, form: Any) -> HttpResponse:
        return self.render_to_response(self.get_context_data(form=form), status=400)

    def _came_by_link(self) -> bool:
        person = person_of(self.request)
        chosen = person is None or not person.must_change_password
        return bool(self.request.session.get(BY_LINK)) and not chosen


class OwnPasswordInput(serializers.Serializer[Any]):
    old_password = serializers.CharField(max_length=500, trim_whitespace=False)
    new_password = serializers.CharField(max_length=500, trim_whitespace=False)


class ChangeOwnPassword(APIView):
    """Change one's own password. One's other sessions and keys end at once, this key too.

    Also for somebody whose password was given to them. A lone wrong `old_password` is 403
    `wrong_password`, many are 429.
    """

    permission_classes = [AnyRole]
    scope = ApiToken.Scope.RECORD

    @extend_schema(request=OwnPasswordInput, responses={204: None})
    def post(self, request: Request) -> Response:
        body = OwnPasswordInput(data=request.data)
        body.is_valid(raise_exception=True)
        user: Any = request.user
        attempt = knock_own(request)
        if not user.check_password(body.validated_data["old_password"]):
            raise refuse("wrong_password", field="old_password")
        let_in(attempt, user)
        try:
            new = body.validated_data["new_password"]
            choose_password(user=user, password=new, act=Act(who=user))
        except RefusalError as refusal:
            refusal.field = "new_password"
            raise
        if request.auth is None:
            update_session_auth_hash(request._request, user)
        return Response(status=status.HTTP_204_NO_CONTENT)


def knock_own(request: Any) -> SignInAttempt:
    """Counts a try at one's own password, as one at the door. Raises TooManyError."""
    return knock(
        door=SignInAttempt.Door.OWN,
        name=request.user.get_username(),
        address=address_of(request),
    )


class PasswordFirst:
    """Middleware: who still has the password of the first sign-in is led to change it."""

    def __init__(self, get_response: Any) -> None:
        self._get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        answer: HttpResponse = self._get_response(request)
        return answer

    def process_view(self, request: HttpRequest, *view: Any) -> HttpResponse | None:
        match = request.resolver_match
        if (match and match.url_name in _OPEN) or not request.user.is_authenticated:
            return None
        person = person_of(request)
        if person is None or not person.must_change_password:
            return None
        if is_api(request):
            refusal = not_chosen()
            return JsonResponse(refusal.as_problem(), status=refusal.status)
        return redirect("own-password")
