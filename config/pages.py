"""The site's shell: signing in and out, error pages, and refusals put beside the field at fault."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Mapping
from http import HTTPStatus
from typing import Any, Final

from django import forms
from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.views import LogoutView
from django.db import DatabaseError
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render

from config.api import is_api
from config.database_trouble import names_nothing, refusal_of_database
from config.refusals import RefusalError
from config.running.request_record import note_refusal

# Nothing is loaded from elsewhere and no script or style stands in a page itself. The API's own
# documentation page brings its own script and is left out.
CONTENT_SECURITY_POLICY: Final = (
    "default-src 'self'; img-src 'self' data:; object-src 'none'; base-uri 'none'; "
    "form-action 'self'; frame-ancestors 'none'"
)
# The API's description page styles itself from its own script, which stays on this server too.
_DOCS_POLICY: Final = f"{CONTENT_SECURITY_POLICY}; style-src 'self' 'unsafe-inline'"
_DOCS: Final = "/api/docs/"


SAVED_TYPES: Final = {
    "csv": "text/csv; charset=utf-8",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    "pdf": "application/pdf",
    "svg": "image/svg+xml",
}


def to_save(content: bytes | str, name: str) -> HttpResponse:
    """A file offered for saving, so that no browser runs it; its ending says what it is."""
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return HttpResponse(content, SAVED_TYPES[name.rpartition(".")[2]], headers=headers)


class SignInForm(AuthenticationForm):
    """As the framework's, with one message whether the name or the password is wrong."""

    error_messages = {
        "invalid_login": "This name and password do not belong together. Both count upper case.",
        "inactive": "This account is not in use.",
    }


class SignOut(LogoutView):
    http_method_names = ["post", "options"]


def content_policy(
    get_response: Callable[[HttpRequest], HttpResponse],
) -> Callable[[HttpRequest], HttpResponse]:
    """Middleware: the site's content security policy on every answer."""

    def answer(request: HttpRequest) -> HttpResponse:
        response = get_response(request)
        policy = _DOCS_POLICY if request.path.startswith(_DOCS) else CONTENT_SECURITY_POLICY
        response.headers.setdefault("Content-Security-Policy", policy)
        return response

    return answer


def not_found(request: HttpRequest, exception: Exception) -> HttpResponse:
    return _told(request, 404, "unknown", "There is no such thing here.")


def not_allowed(request: HttpRequest, exception: Exception) -> HttpResponse:
    return _told(request, 403, "forbidden", "This is not allowed.")


def bad_request(request: HttpRequest, exception: Exception) -> HttpResponse:
    return _told(request, 400, "invalid", "This request can't be understood.")


def _told(request: HttpRequest, status: int, code: str, message: str) -> HttpResponse:
    """As a page to people, and as every other problem to programs."""
    if not is_api(request):
        return render(request, f"site/{status}.html", status=status)
    problem = {"code": code, "field": None, "value": None, "message": message, "remedy": ""}
    return JsonResponse(problem, status=status)


def broken(request: HttpRequest) -> HttpResponse:
    """Says so without asking anything of the database, which may be what is broken.

    Trouble that a middleware had with the database, as in reading the session, ends here too.
    """
    answer = _come_again(request, sys.exception())
    if answer is None and is_api(request):
        answer = _told(request, 500, "broken", "Something is broken here; it has been noted.")
    return answer or render(None, "site/500.html", status=500)


class DatabaseTrouble:
    """Middleware: a page that the database could not serve says so, and when to come again.

    What no database could hold is not there.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self._get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self._get_response(request)

    def process_exception(self, request: HttpRequest, error: Exception) -> HttpResponse | None:
        if names_nothing(error, request.path):
            return not_found(request, error)
        return _come_again(request, error)


def _come_again(request: HttpRequest, error: BaseException | None) -> HttpResponse | None:
    refusal = refusal_of_database(error) if isinstance(error, DatabaseError) else None
    if refusal is None or refusal.status != HTTPStatus.SERVICE_UNAVAILABLE:
        return None
    if is_api(request):
        answer: HttpResponse = JsonResponse(refusal.as_problem(), status=refusal.status)
    else:
        answer = render(None, "site/503.html", {"refusal": refusal}, status=refusal.status)
    answer.headers["Retry-After"] = "1"
    return answer


def stale_form(request: HttpRequest, reason: str = "") -> HttpResponse:
    """The form's own token does not match: most often the session ended while it lay open."""
    return render(request, "site/stale_form.html", status=403)


def refusal_of(error: Exception) -> RefusalError | None:
    """What to tell the person about an error while recording; None when it is our own mistake."""
    if isinstance(error, RefusalError):
        return error
    return refusal_of_database(error) if isinstance(error, DatabaseError) else None


def message_of(refusal: RefusalError) -> str:
    """The refusal as one sentence or two: what is wrong, what was given, what to do instead."""
    given = f" Given: {refusal.value}." if refusal.value else ""
    return f"{refusal.message}{given} {refusal.remedy}".strip()


def put_refusal(form: forms.Form, refusal: RefusalError) -> None:
    """Shows a refusal beside the form's field at fault, or above the form when it has none.

    A form may name, as `asked_as`, which of its fields asks for what a service calls otherwise.
    """
    note_refusal(refusal.code)
    found: list[str | None] = []
    found += [name for name in (field_at(form, part) for part in refusal.marks) if name]
    names = found or [field_at(form, refusal.field)]
    for name in names:
        form.add_error(name, forms.ValidationError(message_of(refusal), code=refusal.code))
    for row in refusal.as_problem().get("problems", ()):
        text = f"{row['field']}: {row['message']} {row['remedy']}"
        form.add_error(names[0], forms.ValidationError(text, code=row["code"]))


def show_answer(
    request: HttpRequest,
    template: str,
    form: forms.Form,
    ask: Callable[[dict[str, Any]], Any],
    beside: Callable[[Any], Mapping[str, Any]],
    *,
    unasked: Any = None,
) -> HttpResponse:
    """A page that answers what its form asks: `ask` answers, `beside` is what the template shows.

    What is refused stands beside its field; before anything is asked the answer is `unasked`.
    """
    found, status = (None, 400) if form.is_bound else (unasked, 200)
    if form.is_bound and form.is_valid():
        try:
            found, status = ask(form.cleaned_data), 200
        except RefusalError as refusal:
            put_refusal(form, refusal)
            status = refusal.status
    return render(request, template, {"form": form, **beside(found)}, status=status)


def field_at(form: forms.Form, path: str | None) -> str | None:
    """The form's field for what a service calls `path`; None where it has none."""
    asked_as: dict[str, str] = getattr(form, "asked_as", {})
    name = form_field_of(path, {*form.fields, *asked_as})
    return asked_as.get(name, name) if name else None


def form_field_of(path: str | None, names: Iterable[str]) -> str | None:
    """The form's name for a service's dotted field: `output.weight.gross` is `weight_gross`.

    Tried in turn: ever shorter tails joined with underscores, then ever shorter heads' tails, so
    that `declared.Ag` and `inputs.0.mass` find `declared` and `inputs`.
    """
    known = set(names)
    parts = [part for part in (path or "").split(".") if part and not part.isdigit()]
    for end in range(len(parts), 0, -1):
        for start in range(end):
            candidate = "_".join(parts[start:end]).replace("-", "_").lower()
            if candidate in known:
                return candidate
    return None
