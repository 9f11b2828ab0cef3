"""The office adds a receiver, sees what did not arrive, and has it sent again, all by form."""

from __future__ import annotations

import pytest
from django.urls import reverse

from lots.feed.message_signature import shown_secret
from lots.feed.subscriptions import secret_of
from lots.models import EventDelivery, EventSubscription
from tests.builders import receive
from tests.conftest import MORNING


@pytest.fixture
def office(works, browse_as):
    return browse_as(works.manager)


@pytest.fixture
def receiver(office, works, act) -> EventSubscription:
    receive(works, act(0))
    wanted = {
        "name": "Shop system",
        "url": "https://shop.example/hook",
        "kinds": ["receipt", "return"],
        "party": works.pellow.pk,
        "key": "one",
    }
    for _ in range(2):
        answer = office.post(reverse("receiver-add"), wanted)
        assert (answer.status_code, answer.url) == (302, reverse("receivers"))
    return EventSubscription.objects.get()


def test_a_receiver_is_added_once_and_shown_with_its_secret(office, receiver):
    assert (receiver.after, receiver.kinds) == (1, ["receipt", "return"])
    shown = office.get(reverse("receivers")).content.decode()
    for text in ("Shop system", "https://shop.example/hook", "Receipt, Return to customer"):
        assert text in shown
    secret = shown_secret(secret_of(receiver))
    assert secret not in shown
    page = office.get(reverse("receiver-secret", args=[receiver.pk]))
    assert secret in page.content.decode()
    assert "no-store" in page.headers["Cache-Control"]


def test_it_is_stopped_and_started(office, receiver):
    for name, active in (("receiver-stop", False), ("receiver-start", True)):
        assert office.post(reverse(name, args=[receiver.pk]), {"key": name}).status_code == 302
        receiver.refresh_from_db()
        assert receiver.is_active is active


def test_an_event_that_was_given_up_is_sent_again(office, receiver):
    late = EventDelivery.objects.create(
        subscription=receiver,
        sequence=1,
        state="given_up",
        tries=8,
        last_failure="http_500",
        first_tried_at=MORNING,
        last_tried_at=MORNING,
    )
    shown = office.get(reverse("receivers"), {"state": "given_up"}).content.decode()
    assert "answer 500" in shown
    address = reverse("receiver-resend", args=[late.pk])
    assert address in shown
    assert office.post(address, {"key": "again"}).status_code == 302
    late.refresh_from_db()
    assert late.state == "resend"


def test_an_address_inside_is_refused_at_its_field(office):
    answer = office.post(
        reverse("receiver-add"), {"name": "x", "url": "http://127.0.0.1/", "key": "k"}
    )
    assert answer.status_code == 400
    assert "url" in answer.context["form"].errors
    assert not EventSubscription.objects.exists()
