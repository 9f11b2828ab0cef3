"""Receivers of events, for the office: who is told, and what did not arrive."""

from __future__ import annotations

from typing import Any, ClassVar, Final

from django import forms
from django.db.models import Model
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse

from lots.feed.message_signature import shown_secret
from lots.feed.subscriptions import (
    NAME_MAX,
    Wanted,
    resend_event,
    secret_of,
    start_subscription,
    stop_subscription,
    subscribe,
)
from lots.feed.webhook_post import URL_LENGTH_MAX
from lots.feed.webhooks_api import DeliveryFilter
from lots.ledger.recording import Act
from lots.models import EventDelivery, EventSubscription, LedgerHead, Movement, Party
from lots.pages.bench_form import ActForm
from lots.pages.lists import filtered, paged_address
from lots.pages.steps import BenchStep
from lots.people.access import office_page
from lots.people.roles import OFFICE

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
    deliveries = EventDelivery.objects.select_related("subscription")
    chosen, page = filtered(request, DeliveryFilter, deliveries)
    head = LedgerHead.objects.get(pk=1).last_sequence
    receivers = EventSubscription.objects.select_related("party")
    return render(
        request,
        "reports/receivers.html",
        {
            "section": "settlements",
            "filter": chosen,
            "page": page,
            "query": paged_address(request),
            "late_ones": [(each, failure_in_words(each.last_failure)) for each in page.object_list],
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


class OfficeForm(ActForm):
    """Office steps happen when they are recorded."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["occurred_at"].widget = forms.HiddenInput()


class ReceiverForm(OfficeForm):
    name = forms.CharField(max_length=NAME_MAX, help_text="What receives them.")
    url = forms.CharField(
        label="Address",
        max_length=URL_LENGTH_MAX,
        help_text="https, reached over the internet.",
        widget=forms.TextInput({"inputmode": "url"}),
    )
    kinds = forms.MultipleChoiceField(
        choices=Movement.Kind.choices, required=False, help_text="None chosen means all."
    )
    party = forms.ModelChoiceField(
        queryset=Party.objects.exclude(kind=Party.Kind.HOUSE),
        required=False,
        label="Only about",
        help_text="Lots that this party sent in or owns; everybody's when left out.",
    )
    from_the_beginning = forms.BooleanField(
        required=False, help_text="Else only what happens from now on."
    )
    asked_as = {**OfficeForm.asked_as, "after": "from_the_beginning"}


class OfReceivers(BenchStep):
    section = "settlements"
    roles = OFFICE
    template_name = "reports/receiver_step.html"

    def after(self, recorded: Any) -> str:
        return reverse("receivers")


class AddReceiver(OfReceivers):
    title = "Send events to an address"
    lead = "Each movement is sent there once it is on the books, signed. It names no figures."
    button = "Send them"
    done = "Added. Give its receiver the secret; it can be read from this list."
    form_class = ReceiverForm

    def perform(self, act: Act, form: Any) -> Model:
        data = form.cleaned_data
        wanted = Wanted(
            name=data["name"],
            url=data["url"],
            kinds=data["kinds"],
            party=data["party"],
            after=0 if data["from_the_beginning"] else None,
        )
        return subscribe(wanted=wanted, act=act)


class ReceiverStep(OfReceivers):
    form_class = OfficeForm
    kind: ClassVar[type[Model]] = EventSubscription

    def find(self, request: HttpRequest, **path: Any) -> Any:
        return get_object_or_404(self.kind, pk=path["pk"])


class StopReceiver(ReceiverStep):
    title = "Send no more until started again"
    lead = "What happens meanwhile is sent once it is started again."
    button = "Stop"
    done = "Stopped."

    def perform(self, act: Act, form: Any) -> Model:
        return stop_subscription(subscription=self.subject, act=act)


class StartReceiver(ReceiverStep):
    title = "Send again"
    lead = "It begins with the first event that has not been dealt with."
    button = "Start"
    done = "Started."

    def perform(self, act: Act, form: Any) -> Model:
        return start_subscription(subscription=self.subject, act=act)


class ResendEvent(ReceiverStep):
    title = "Send an event again"
    lead = "It goes out at the next round, out of its order; its id is the same as before."
    button = "Send it again"
    done = "It will be sent at the next round."
    kind = EventDelivery

    def perform(self, act: Act, form: Any) -> Model:
        return resend_event(delivery=self.subject, act=act)
