"""Keys for one's own programs: made (the key is shown once), listed, revoked."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.contrib.auth.views import redirect_to_login
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods, require_POST

from config.pages import put_refusal
from config.refusals import ConflictError, RefusalError
from lots.ledger.recording import Act
from lots.models import ApiToken
from lots.people.access import role_here
from lots.people.token_list import is_outlived, tokens_seen_by
from lots.people.tokens import DAYS_MAX, NAME_MAX, make_token, revoke_token, scopes_of


class TokenForm(forms.Form):
    name = forms.CharField(label="Which program it is for", max_length=NAME_MAX)
    scopes = forms.MultipleChoiceField(
        label="What it may do",
        choices=ApiToken.Scope.choices,
        widget=forms.CheckboxSelectMultiple,
        initial=[ApiToken.Scope.READ.value],
    )
    days = forms.IntegerField(
        label="For how many days", min_value=1, max_value=DAYS_MAX, initial=90
    )

    def __init__(self, role: str, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        allowed = scopes_of(role)
        choices = [choice for choice in ApiToken.Scope.choices if choice[0] in allowed]
        self.fields["scopes"].choices = choices  # type: ignore[attr-defined]


@require_http_methods(["GET", "HEAD", "POST"])
def token_page(request: HttpRequest) -> HttpResponse:
    """GET lists; POST makes one and shows its key in the answer, this once."""
    if not request.user.is_authenticated:
        return redirect_to_login(request.get_full_path())
    role = role_here(request)
    form = TokenForm(role, request.POST or None)
    key = ""
    if request.method == "POST" and form.is_valid():
        try:
            _, key = make_token(user=request.user, created_by=request.user, **form.cleaned_data)
            form = TokenForm(role)
        except RefusalError as refusal:
            put_refusal(form, refusal)
    seen = tokens_seen_by(request.user).select_related("user")[:200]
    tokens = [(each, is_outlived(each)) for each in seen]
    refused = request.method == "POST" and not key
    context = {"form": form, "key": key, "tokens": tokens, "section": "tokens"}
    answer = render(request, "lots/tokens.html", context, status=400 if refused else 200)
    answer.headers["Cache-Control"] = "no-store, private"
    return answer


@require_POST
def revoke(request: HttpRequest, pk: int) -> HttpResponse:
    if not request.user.is_authenticated:
        return redirect_to_login(request.get_full_path())
    role_here(request)
    token = get_object_or_404(tokens_seen_by(request.user), pk=pk)
    try:
        revoke_token(token=token, act=Act(who=request.user))
        messages.success(request, "Revoked: the key opens nothing any more.")
    except ConflictError as refusal:
        messages.warning(request, refusal.message)
    return redirect("tokens")
