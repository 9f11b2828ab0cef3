"""Throwing away a form that was put aside."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.views.decorators.http import require_POST

from lots.people.access import check_staff
from lots.queries.saved_forms import kept_forms
from lots.services.saved_forms import drop_form


def drop_kept(request: HttpRequest, pk: int) -> HttpResponse:
    """One's own only: another's is not found."""
    return check_staff(request) or _drop(request, pk)


@require_POST
def _drop(request: HttpRequest, pk: int) -> HttpResponse:
    assert request.user.is_authenticated, "only staff come here"
    kept = get_object_or_404(kept_forms(request.user), pk=pk)
    drop_form(user=request.user, address=kept.address)
    messages.success(request, f"Thrown away: {kept.title}.")
    return redirect("today")
