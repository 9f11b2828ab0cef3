"""The page to sign in at: ever slower for who fails at it."""

from __future__ import annotations

from typing import Any

from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.views import LoginView
from django.http import HttpRequest, HttpResponse

from config.asker import address_of
from config.pages import SignInForm
from config.refusals import TooManyError
from lots.models import SignInAttempt
from lots.people.attempts import knock, let_in


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
