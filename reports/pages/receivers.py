"""Receivers of events, for the office: who is told, and what did not arrive."""

from __future__ import annotations

from typing import Final

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render

from lots.feed.message_signature import shown_secret
from lots.feed.subscriptions import secret_of
from lots.feed.webhooks_api import DeliveryFilter
from lots.models import EventDelivery, EventSubscription, LedgerHead, Movement
from lots.pages.lists import show_list
from lots.people.access import office_page

_KINDS: Final = dict(Movement.Kind.choices)
_FAILURES: Final = {
    "kept_back": "not to be told to this customer yet",
    "timeout": "no answer in time",
    "no_answer": "no answer",
    "certificate": "its certificate does not hold",
    "unknown_host": "no such name",
    "address_not_allowed": "its name leads where nothing is sent",
}


@office_page
def receiver_list(request: HttpRequest) -> HttpResponse:
    head = LedgerHead.objects.get(pk=1).last_sequence
    receivers = EventSubscription.objects.select_related("party")
    return show_list(
        request,
        "reports/receivers.html",
        DeliveryFilter,
        EventDelivery.objects.select_related("subscription"),
        section="settlements",
        first="subscription state",
        told=lambda page: [(each, failure_in_words(each.last_failure)) for each in page],
        more=lambda _chosen, _page: {
            "receivers": [
                (each, [_KINDS.get(kind, kind) for kind in each.kinds], head - each.after)
                for each in receivers
            ],
        },
    )


def failure_in_words(failure: str) -> str:
    return _FAILURES.get(failure) or failure.replace("http_", "answer ")


@office_page
def receiver_secret(request: HttpRequest, pk: int) -> HttpResponse:
    receiver = get_object_or_404(EventSubscription, pk=pk)
    context = {"section": "settlements", "receiver": receiver}
    context["secret"] = shown_secret(secret_of(receiver))
    answer = render(request, "reports/receiver_secret.html", context)
    answer.headers["Cache-Control"] = "no-store, private, max-age=0"
    return answer
