"""The people of the works: a list, one person with their record, and what is told once."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from lots.declaration.as_page import EventPage
from lots.models import ApiToken, Person
from lots.people.access import managers_page
from lots.people.person_record import ON_PERSON
from lots.people.ways_in import LINK_LASTS


@managers_page
def people_list(request: HttpRequest) -> HttpResponse:
    people = Person.objects.select_related("user", "party").order_by(
        "-user__is_active", "user__username"
    )
    return render(request, "lots/people.html", {"section": "bench", "people": people})


@managers_page
def person_page(request: HttpRequest, pk: int) -> HttpResponse:
    person = ON_PERSON.find({"pk": pk})
    keys = ApiToken.objects.filter(user_id=person.user_id, revoked_at=None)
    context = {
        "section": "bench",
        "person": person,
        "changes": person.changes.select_related("by", "party"),
        "keys": keys.count(),
    }
    return render(request, "lots/person.html", context)


class TellingPage(EventPage):
    """A page whose answer tells a link or a password, this once; it stands in no address bar."""

    def answer(self, request: HttpRequest, recorded: Any) -> HttpResponse:
        link, password = getattr(recorded, "link", ""), getattr(recorded, "password", "")
        if not (link or password):
            messages.success(request, self.done)
            return redirect(self.after(recorded))
        context = {
            "section": self.section,
            "person": recorded,
            "password": password,
            "link": link and link_address(request, link),
            "hours": LINK_LASTS.days * 24,
        }
        answer = render(request, "lots/person_told.html", context)
        answer.headers["Cache-Control"] = "no-store, private, max-age=0"
        return answer


def link_address(request: HttpRequest, key: str) -> str:
    """The address that is handed over; what stands behind # is sent to no server."""
    return f"{request.build_absolute_uri(reverse('sign-in-once'))}#{key}"
