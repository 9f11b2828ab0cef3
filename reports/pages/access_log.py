"""A page that shows a customer's data keeps who read it."""

from __future__ import annotations

from django.http import HttpRequest

from lots.models import Party
from lots.people.access import party_looking
from reports.services.access_records import record_access

PAGE = "page"


def note_page(
    request: HttpRequest, customer: Party | None, what: str, reference: str, form: str = PAGE
) -> None:
    """Keeps that the signed-in person read a customer's data, a customer their own included."""
    record_access(
        customer=party_looking(request) or customer,
        what=what,
        reference=reference,
        form=form,
        user=request.user,  # type: ignore[arg-type]
    )
