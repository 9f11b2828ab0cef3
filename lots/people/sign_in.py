"""The pages to sign in at, by password or by a one-time link: ever slower for who fails there."""

from __future__ import annotations

from typing import Any, Final

from django import forms
from django.contrib.auth import login
from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.views import LoginView
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils.decorators import method_decorator
from django.views.decorators.debug import sensitive_post_parameters
from django.views.generic import FormView

from config.asker import address_of
from config.pages import SignInForm, put_refusal
from config.refusals import RefusalError, TooManyError, refuse
from lots.ledger.recording import Act
from lots.models import SignInAttempt
from lots.people.attempts import knock, let_in
from lots.people.ways_in import KEY_MAX, link_of, use_link

# The session began with a one-time link: no password is asked for before another is chosen.
BY_LINK: Final = "by_link"


class SignIn(LoginView):
    template_name = "site/sign_in.html"
    authentication_form = SignInForm
    redirect_authenticated_user = True

    def post(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        try:
            self.attempt = knock(
                door=SignInAttempt.Door.PAGE,
                name=request.POST.get("username", "")[:200],
                address=address_of(request),
            )
        except TooManyError as refusal:
            return self.come_later(refusal)
        return super().post(request, *args, **kwargs)

    def form_valid(self, form: AuthenticationForm) -> HttpResponse:
        let_in(self.attempt, form.get_user())
        return super().form_valid(form)

    def come_later(self, refusal: TooManyError) -> HttpResponse:
        """The empty form with the time to wait; the password was not looked at."""
        context = self.get_context_data(form=SignInForm(self.request), refusal=refusal)
        answer = self.render_to_response(context, status=refusal.status)
        answer.headers["Retry-After"] = str(refusal.wait_s)
        return answer


class OnceForm(forms.Form):
    key = forms.CharField(
        label="One-time code",
        help_text="What stands in the link after #. It is filled in when you open the link itself.",
        max_length=KEY_MAX,
        widget=forms.TextInput(
            {"autocomplete": "off", "spellcheck": "false", "data-from-address": ""}
        ),
    )


@method_decorator(sensitive_post_parameters(), name="dispatch")
class SignInOnce(FormView):  # type: ignore[type-arg]
    """The key stands behind the address's #, which no browser sends: so no log has it.

    Looking at the page uses nothing up, as programs do that look into mail.
    """

    template_name = "lots/sign_in_once.html"
    form_class = OnceForm

    def form_valid(self, form: OnceForm) -> HttpResponse:
        try:
            person = self._let_in(form.cleaned_data["key"].strip())
        except RefusalError as refusal:
            put_refusal(form, refusal)
            answer = self.form_invalid(form, refusal.status)
            if isinstance(refusal, TooManyError):
                answer.headers["Retry-After"] = str(refusal.wait_s)
            return answer
        login(self.request, person.user)
        self.request.session[BY_LINK] = True
        return redirect("own-password")

    def form_invalid(self, form: OnceForm, status: int = 400) -> HttpResponse:
        return self.render_to_response(self.get_context_data(form=form), status=status)

    def _let_in(self, key: str) -> Any:
        attempt = knock(door=SignInAttempt.Door.ONCE, name="", address=address_of(self.request))
        link = link_of(key)
        if link is None:
            raise refuse("link_spent", field="key")
        person = use_link(key=key, act=Act(who=link.person.user))
        let_in(attempt, person.user)
        return person
