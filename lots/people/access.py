"""Who may see which page: people of the works by role, customers only what is made for them."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any

from django.contrib.auth.views import redirect_to_login
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import get_object_or_404
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from config.menu import links_for
from lots.models import Lot, Party, Person
from lots.people.acting import managers
from lots.people.roles import MANAGING, OFFICE, role_as

View = Callable[..., HttpResponseBase]


def person_of(request: HttpRequest) -> Person | None:
    """Who is signed in, as a person of the works or of a customer; asked once a request."""
    if not hasattr(request, "_works_person"):
        found = None
        if request.user.is_authenticated:
            people = Person.objects.filter(user_id=request.user.pk).select_related("party")
            found = people.first()
        request._works_person = found  # type: ignore[attr-defined]
    person: Person | None = request._works_person  # type: ignore[attr-defined]
    return person


def role_of(request: HttpRequest) -> str | None:
    """The signed-in person's role, or None for a stranger. Superusers act as managers."""
    return role_as(person_of(request), request.user)


def role_here(request: HttpRequest) -> str:
    """The role of somebody signed in. Raises PermissionDenied for who has none."""
    role = role_of(request)
    if role is None:
        raise PermissionDenied
    return role


def check_staff(request: HttpRequest, roles: frozenset[str] | None = None) -> HttpResponse | None:
    """None when the person may go on; a way to sign in for a stranger.

    Raises Http404 for customers, to whom these pages do not exist, and PermissionDenied for staff
    of another role and for who has none.
    """
    if not request.user.is_authenticated:
        return redirect_to_login(request.get_full_path())
    role = role_here(request)
    if role == Person.Role.CUSTOMER:
        raise Http404
    if roles is not None and role not in roles:
        raise PermissionDenied
    return None


def staff_page(view: View) -> View:
    """A page to read for anyone who works here; nothing is sent to it."""
    return _guarded(view, None)


def office_page(view: View) -> View:
    """A page to read for accountants and managers."""
    return _guarded(view, OFFICE)


def managers_page(view: View) -> View:
    """A page to read for managers."""
    return _guarded(view, MANAGING)


def managers_form(view: View) -> View:
    """A page with a form, for managers."""
    return _guarded(view, MANAGING, require_http_methods(["GET", "HEAD", "POST"]))


def staff_form(view: View) -> View:
    """A page with a form, for anyone who works here."""
    return _guarded(view, None, require_http_methods(["GET", "HEAD", "POST"]))


def staff_action(view: View) -> View:
    """What a form of another page is sent to, for anyone who works here."""
    return _guarded(view, None, require_POST)


def _guarded(
    view: View, roles: frozenset[str] | None, allow: Callable[[View], View] = require_safe
) -> View:
    allowed = allow(view)

    @wraps(view)
    def page(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        return check_staff(request, roles) or allowed(request, *args, **kwargs)

    return page


def signed_in_page(view: View) -> View:
    """A page to read for whoever is signed in, customers too: the view says what they see."""

    @wraps(view)
    def page(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        if not request.user.is_authenticated:
            return redirect_to_login(request.get_full_path())
        return view(request, *args, **kwargs)

    return require_safe(page)


def own_party(request: HttpRequest) -> Party:
    """The customer who is signed in, or Http404; PermissionDenied for who has no role."""
    role_here(request)
    party = party_looking(request)
    if party is None:
        raise Http404
    return party


def party_looking(request: HttpRequest) -> Party | None:
    """The customer who is signed in; None for anyone else."""
    person = person_of(request)
    return person.party if person and person.role == Person.Role.CUSTOMER else None


def lot_for(request: HttpRequest, code: str) -> Lot:
    """The lot of that code if this person may see it: staff any, customers what they sent in."""
    lots = Lot.objects.select_related("owner", "place", "received_from")
    if role_here(request) == Person.Role.CUSTOMER:
        party = party_looking(request)
        assert party is not None
        lots = lots.filter(received_from=party)
    return get_object_or_404(lots, code=code.upper())


def shell(request: HttpRequest) -> dict[str, Any]:
    """Template context for every page: the person's role, their tabs, and whom to ask for one."""
    if not hasattr(request, "user"):
        return {}
    role = role_of(request)
    tabs = "THEIRS" if role == Person.Role.CUSTOMER else "TABS"
    return {
        "role": role,
        "is_office": role in OFFICE,
        "tabs": links_for(tabs, role) if role else [],
        "managers": managers,
    }
