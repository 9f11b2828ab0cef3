"""The first page of a works that nobody can sign in to yet."""

from __future__ import annotations

import ipaddress
from collections.abc import Callable
from functools import cache
from typing import Any, Final
from zoneinfo import available_timezones

from django import forms
from django.conf import settings
from django.contrib import messages
from django.contrib.auth import authenticate, login
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.crypto import constant_time_compare
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods

from config.api import is_api
from config.asker import address_of
from config.pages import put_refusal
from config.refusals import RefusalError, refuse
from lots.declaration.as_page import field_for
from lots.declaration.event import build, questions_of
from lots.models import RecordedRequest
from lots.pages.bench_form import ActForm
from lots.queries.set_up import is_set_up, set_up_code
from lots.services.set_up import Beginning, set_up_works, username_from
from lots.services.works import WorksDetails

_ELSEWHERE: Final = ("/static/", "/health/", "/metrics")
_FORWARDED: Final = ("X-Forwarded-For", "X-Forwarded-Host", "Forwarded")
_ASKED: Final = {
    each.name: each for kind in (WorksDetails, Beginning) for each in questions_of(kind)
}
_ORDER: Final = (
    "code",
    "name",
    "person",
    "password",
    "one_person",
    "time_zone",
    "decimal_sign",
    "mass_unit",
    "currency",
    "address",
    "username",
)


def set_up_first(
    get_response: Callable[[HttpRequest], HttpResponse],
) -> Callable[[HttpRequest], HttpResponse]:
    """Middleware: whatever page is asked for first, it is the one that sets the works up."""

    def answer(request: HttpRequest) -> HttpResponse:
        reads = request.method in ("GET", "HEAD") and not is_api(request)
        if not reads or request.path.startswith(_ELSEWHERE) or is_set_up():
            return get_response(request)
        return get_response(request) if request.path == "/set-up/" else redirect("set-up")

    return answer


@cache
def _zones() -> list[tuple[str, str]]:
    named = {name for name in available_timezones() if "/" in name and not name.startswith("Etc/")}
    return [("", "Choose …"), ("UTC", "UTC"), *((name, name) for name in sorted(named))]


class SetUpForm(ActForm):
    occurred_at = None  # type: ignore[assignment]
    note = None  # type: ignore[assignment]
    code = forms.CharField(
        label="The code that the server told",
        help_text="It stands in the lines of the server; manage.py set_up --code tells it, too.",
        max_length=40,
        widget=forms.TextInput({"autocomplete": "off", "autocapitalize": "none"}),
    )
    password = forms.CharField(
        help_text="Twelve characters or more. Write it down: nobody else can let you in.",
        max_length=4096,
        strip=False,
        widget=forms.PasswordInput({"autocomplete": "new-password"}),
    )

    def __init__(self, *args: Any, is_near: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name, question in _ASKED.items():
            self.fields[name] = field_for(question, needed=question.needed)
        zones = forms.ChoiceField(choices=_zones(), help_text="It can't be changed afterwards.")
        zones.label = "Time zone"
        self.fields["time_zone"] = zones
        self.fields["currency"].widget.attrs |= {"autocapitalize": "characters", "size": 6}
        if is_near:
            del self.fields["code"]
        self.order_fields(_ORDER)

    def set_up(self) -> Any:
        """The user who may sign in from now on. Raises as `set_up_works`, and `wrong_code`."""
        said = self.cleaned_data
        typed = said.get("code", "").strip().lower()
        if "code" in self.fields and not constant_time_compare(typed, set_up_code()):
            raise refuse("wrong_code", field="code")
        given = {name: value for name, value in said.items() if value != ""}
        made = [build(kind, questions_of(kind), given) for kind in (WorksDetails, Beginning)]
        return set_up_works(
            details=made[0], beginning=made[1], password=said["password"], key=said["key"]
        ).user

    def same_again(self, request: HttpRequest) -> Any:
        """Who set the works up by this very form, sent twice."""
        said = self.cleaned_data
        if not RecordedRequest.objects.filter(key=said["key"]).exists():
            return None
        username = said["username"].strip() or username_from(said["person"])
        return authenticate(request, username=username, password=said["password"])


@sensitive_post_parameters("password", "code")
@require_http_methods(["GET", "HEAD", "POST"])
def set_up_page(request: HttpRequest) -> HttpResponse:
    near = is_near(request)
    if request.method != "POST":
        form = SetUpForm(is_near=near)
        return redirect("today") if is_set_up() else _shown(request, form, 200)
    form = SetUpForm(request.POST, is_near=near)
    if not form.is_valid():
        return _shown(request, form, 400)
    try:
        user = form.set_up()
    except RefusalError as refusal:
        again = form.same_again(request) if refusal.code == "already_set_up" else None
        if again is None:
            put_refusal(form, refusal)
            return _shown(request, form, refusal.status)
        user = again
    login(request, user, backend=settings.AUTHENTICATION_BACKENDS[0])
    messages.success(request, f"The works is set up. You sign in as {user.get_username()}.")
    return redirect("today")


def _shown(request: HttpRequest, form: forms.Form, status: int) -> HttpResponse:
    return render(request, "lots/set_up.html", {"form": form}, status=status)


def is_near(request: HttpRequest) -> bool:
    """Whether it is asked on this very machine, as far as can be told, and by no proxy."""
    address = address_of(request)
    forwarded = any(name in request.headers for name in _FORWARDED)
    return address is not None and ipaddress.ip_address(address).is_loopback and not forwarded
