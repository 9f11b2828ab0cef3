"""Somebody wants to be told of events; stops; starts again; wants one sent again."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Final

from django.db.models import QuerySet
from django.utils.crypto import salted_hmac

from config.refusals import ConflictError, refuse
from lots import clock
from lots.declaration.event import Asks, Event, On
from lots.feed.webhook_post import check_url
from lots.ledger.recording import Act, recorded_once
from lots.models import EventDelivery, EventSubscription, LedgerHead, Movement, Party
from lots.people.roles import OFFICE
from lots.texts import checked_text

NAME_MAX: Final = 80
ON_SUBSCRIPTION: Final = On(EventSubscription, "webhooks/<int:pk>", "subscription")
# What the pages of receivers have in common.
_RECEIVERS: Final[dict[str, Any]] = {
    "roles": OFFICE,
    "section": "settlements",
    "template": "reports/receiver_step.html",
    "when": "",
    "lands": "receivers",
}
_SALTED_WITH: Final = "lots.event-subscription"


def outsiders() -> QuerySet[Party]:
    return Party.objects.exclude(kind=Party.Kind.HOUSE)


@dataclass(frozen=True)
class Wanted:
    """What to send where. No `kinds` means all; `after` None begins with what comes next."""

    name: Annotated[str, Asks(at_most=NAME_MAX)]
    url: Annotated[str, Asks("Address", "https, reached over the internet.", at_most=300)]
    kinds: Annotated[
        Sequence[str], Asks(help="All kinds when left out", choices=Movement.Kind)
    ] = ()
    party: Annotated[Party | None, None, Asks("Only its lots' events", among=outsiders)] = None
    after: Annotated[
        int | None, Asks(help="What comes next if left out", at_least=0, at_most=2**62)
    ] = None


def secret_of(subscription: EventSubscription) -> bytes:
    """What the messages of a subscription are signed with.

    It goes with the site's own key: another key makes another secret.
    """
    return salted_hmac(_SALTED_WITH, subscription.salt, algorithm="sha256").digest()


@recorded_once
def subscribe(*, wanted: Wanted, act: Act) -> EventSubscription:
    """Begins to tell an address of events.

    Raises InvalidError `address_not_allowed`, `unknown_kind`, `empty`, `too_long`, `not_text`,
    `event_not_there_yet`.
    """
    name = checked_text(wanted.name, field="name", limit=NAME_MAX, required=True)
    unknown = [kind for kind in wanted.kinds if kind not in Movement.Kind.values]
    if unknown:
        raise refuse(
            "unknown_kind",
            field="kinds",
            value=unknown[0],
            movement=", ".join(Movement.Kind.values),
        )
    head = LedgerHead.objects.get(pk=1).last_sequence
    if wanted.after is not None and not 0 <= wanted.after <= head:
        raise refuse("event_not_there_yet", field="after", value=wanted.after, head=head)
    return EventSubscription.objects.create(
        name=name,
        url=check_url(wanted.url),
        kinds=sorted(set(wanted.kinds)),
        party=wanted.party,
        salt=secrets.token_hex(16),
        after=head if wanted.after is None else wanted.after,
        created_at=clock.now(),
        created_by_id=act.who.pk,
    )


SUBSCRIBE: Final = Event(
    subscribe,
    at="webhooks/subscribe",
    about="Have each event sent to an address, signed. `deliver_events` sends; read the secret "
    "apart.",
    name="receiver-add",
    page_at="/receivers/add",
    title="Send events to an address",
    lead="Each movement is sent there once it is on the books, signed. It names no figures.",
    button="Send them",
    done="Added. Give its receiver the secret; it can be read from this list.",
    flat=("wanted",),
    **_RECEIVERS,
)


@recorded_once
def stop_subscription(*, subscription: EventSubscription, act: Act) -> EventSubscription:
    """Sends nothing more there. What happens meanwhile is sent once it is started again."""
    _check(subscription, active=True)
    subscription.is_active = False
    subscription.stopped_because = f"stopped by {act.who.get_username()}"[:120]
    subscription.save(update_fields=["is_active", "stopped_because"])
    return subscription


STOP: Final = Event(
    stop_subscription,
    on=ON_SUBSCRIPTION,
    at="stop",
    about="Send nothing more there until it is started again.",
    name="receiver-stop",
    page_at="/receivers/<int:pk>/stop",
    title="Send no more until started again",
    lead="What happens meanwhile is sent once it is started again.",
    button="Stop",
    done="Stopped.",
    **_RECEIVERS,
)


@recorded_once
def start_subscription(*, subscription: EventSubscription, act: Act) -> EventSubscription:
    """Sends again, beginning with what has not been dealt with; what waits is due at once."""
    _check(subscription, active=False)
    subscription.is_active = True
    subscription.stopped_because = ""
    subscription.given_up_in_a_row = 0
    subscription.save(update_fields=["is_active", "stopped_because", "given_up_in_a_row"])
    subscription.deliveries.filter(state=EventDelivery.State.RETRYING).update(
        next_try_at=clock.now()
    )
    return subscription


START: Final = Event(
    start_subscription,
    on=ON_SUBSCRIPTION,
    at="start",
    about="Send again, beginning with the first event that was not dealt with.",
    name="receiver-start",
    page_at="/receivers/<int:pk>/start",
    title="Send again",
    lead="It begins with the first event that has not been dealt with.",
    button="Start",
    done="Started.",
    **_RECEIVERS,
)


@recorded_once
def resend_event(*, delivery: EventDelivery, act: Act) -> EventDelivery:
    """An event that was given up is sent again, out of its order."""
    delivery.refresh_from_db()
    if delivery.state != EventDelivery.State.GIVEN_UP:
        raise refuse(
            "not_given_up",
            field="delivery",
            value=delivery.sequence,
            delivery=delivery.get_state_display().lower(),
        )
    delivery.state = EventDelivery.State.RESEND
    delivery.next_try_at = clock.now()
    delivery.save(update_fields=["state", "next_try_at"])
    return delivery


RESEND: Final = Event(
    resend_event,
    on=On(EventDelivery, "webhook-deliveries/<int:pk>", "delivery"),
    at="resend",
    about="Send an event again that was given up.",
    name="receiver-resend",
    page_at="/receivers/late/<int:pk>",
    title="Send an event again",
    lead="It goes out at the next round, out of its order; its id is the same as before.",
    button="Send it again",
    done="It will be sent at the next round.",
    **_RECEIVERS,
)


def _check(subscription: EventSubscription, *, active: bool) -> None:
    subscription.refresh_from_db()
    if subscription.is_active == active:
        return
    raise ConflictError(
        f"The subscription {subscription.name} is {'not ' if active else ''}active already.",
        code="subscription_not_active" if active else "subscription_active",
        field="subscription",
        value=subscription.pk,
        remedy="Nothing more is needed.",
    )
