"""The page to choose a password of one's own at; who was given one sees no other before."""

from __future__ import annotations

from typing import Any, Final

from django.contrib import messages
from django.contrib.auth import update_session_auth_hash
from django.contrib.auth.views import PasswordChangeView
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect

from config.api import is_api
from config.pages import put_refusal
from config.refusals import RefusalError
from lots.people.access import person_of
from lots.people.acting import not_chosen
from lots.people.people import choose_password

_OPEN: Final = {"own-password", "sign-out"}


class OwnPassword(PasswordChangeView):
    template_name = "lots/own_password.html"

    def form_valid(self, form: Any) -> HttpResponse:
        try:
            choose_password(user=form.user, password=form.cleaned_data["new_password1"])
        except RefusalError as refusal:
            form.asked_as = {"password": "new_password1"}
            put_refusal(form, refusal)
            return self.form_invalid(form)
        update_session_auth_hash(self.request, form.user)
        messages.success(self.request, "Changed. Your other sessions are signed out.")
        return redirect("/")

    def form_invalid(self, form: Any) -> HttpResponse:
        return self.render_to_response(self.get_context_data(form=form), status=400)


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
