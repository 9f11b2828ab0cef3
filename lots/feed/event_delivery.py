"""Tells subscribers of events: what is due is read from the ledger, never written when posting.

Events of one subscription go out in the order of the ledger, each at least once: one that does not
arrive holds up those after it until it does or is given up. No transaction is open meanwhile.
"""

from __future__ import annotations

import datetime as dt
import json
import logging
from collections import Counter
from typing import Final

from django.db.models import F, Q

from lots import clock
from lots.feed.events import Event, events_after
from lots.feed.message_signature import signed
from lots.feed.subscriptions import secret_of
from lots.feed.webhook_post import NotSentError, post_message
from lots.models import EventDelivery, EventSubscription

logger = logging.getLogger(__name__)

# How long after each failed try the next one comes; after the last the event is given up.
DELAYS: Final = tuple(
    dt.timedelta(seconds=seconds) for seconds in (10, 60, 300, 900, 3600, 3 * 3600, 6 * 3600)
)
GIVEN_UP_IN_A_ROW_MAX: Final = 3
PAGE: Final = 100
# Longer than one sending may take: a process that died lets go of its subscription by then.
LEASE: Final = dt.timedelta(minutes=2)
GONE: Final = 410
KEPT_BACK: Final = "kept_back"
State = EventDelivery.State


def deliver_due() -> Counter[str]:
    """One round over every active subscription: how many events arrived, failed, were given up."""
    outcome: Counter[str] = Counter()
    for subscription in EventSubscription.objects.filter(is_active=True).order_by("pk"):
        if not _lease(subscription):
            continue
        try:
            _resend(subscription, outcome)
            _go_on(subscription, outcome)
        finally:
            EventSubscription.objects.filter(pk=subscription.pk).update(leased_until=None)
    return outcome


def _lease(subscription: EventSubscription) -> bool:
    """Takes the subscription for this process, unless another has it."""
    now = clock.now()
    free = Q(leased_until=None) | Q(leased_until__lt=now)
    taken = EventSubscription.objects.filter(free, pk=subscription.pk, is_active=True)
    if not taken.update(leased_until=now + LEASE):
        return False
    subscription.refresh_from_db()
    return True


def _go_on(subscription: EventSubscription, outcome: Counter[str]) -> None:
    waiting = subscription.deliveries.filter(state=State.RETRYING).first()
    if waiting is not None and waiting.next_try_at and waiting.next_try_at > clock.now():
        return
    if waiting is not None and _event_of(waiting) is None:
        _note(waiting, State.GIVEN_UP, KEPT_BACK)
    more = True
    while more:
        page = events_after(
            subscription.after, limit=PAGE, kinds=subscription.kinds, party=subscription.party
        )
        for event in page.events:
            if not _deal_with(subscription, event, outcome):
                return
        _advance(subscription, page.next_after)
        more = page.more


def _deal_with(subscription: EventSubscription, event: Event, outcome: Counter[str]) -> bool:
    """Sends one event in its turn; False when those after it have to wait."""
    failure = _send(subscription, event)
    late = subscription.deliveries.filter(sequence=event.id).first()
    if not failure:
        outcome["delivered"] += 1
        if late is not None:
            _note(late, State.DELIVERED, late.last_failure)
        _arrived(subscription, event.id)
        return True
    outcome["failed"] += 1
    late = late or EventDelivery(
        subscription=subscription, sequence=event.id, tries=0, first_tried_at=clock.now()
    )
    if late.tries < len(DELAYS) and failure != f"http_{GONE}":
        _note(late, State.RETRYING, failure, clock.now() + DELAYS[late.tries])
        return False
    outcome["given_up"] += 1
    _note(late, State.GIVEN_UP, failure)
    return _passed_over(subscription, event.id, failure)


def _resend(subscription: EventSubscription, outcome: Counter[str]) -> None:
    """Events asked for by hand: one try each, whatever else waits."""
    for delivery in subscription.deliveries.filter(state=State.RESEND).order_by("sequence"):
        event = _event_of(delivery)
        failure = KEPT_BACK if event is None else _send(subscription, event)
        outcome["failed" if failure else "delivered"] += 1
        if failure:
            _note(delivery, State.GIVEN_UP, failure)
        else:
            _note(delivery, State.DELIVERED, delivery.last_failure)


def _event_of(delivery: EventDelivery) -> Event | None:
    """The event, unless it is kept back from the subscription's party by now."""
    told = delivery.subscription
    page = events_after(delivery.sequence - 1, limit=1, kinds=told.kinds, party=told.party)
    return next((each for each in page.events if each.id == delivery.sequence), None)


def _send(subscription: EventSubscription, event: Event) -> str:
    """Posts one event; empty when it arrived, else a short code of what went wrong."""
    now = clock.now()
    body = message_of(event)
    message_id = f"{subscription.pk}-{event.id}"
    headers = signed(secret_of(subscription), message_id, int(now.timestamp()), body)
    headers |= {"Content-Type": "application/json", "User-Agent": "parting-ledger"}
    EventSubscription.objects.filter(pk=subscription.pk).update(leased_until=now + LEASE)
    try:
        answer = post_message(subscription.url, headers, body)
    except NotSentError as error:
        failure = str(error)
    else:
        failure = "" if answer.arrived else f"http_{answer.status}"
    if failure:
        logger.warning("event %s of subscription %s: %s", event.id, subscription.pk, failure)
    return failure


def message_of(event: Event) -> bytes:
    """The message's body; the same event makes the same bytes."""
    return json.dumps(
        {
            "type": f"movement.{event.kind}",
            "timestamp": event.recorded_at.isoformat(),
            "data": {
                "id": event.id,
                "kind": event.kind,
                "stage": event.stage,
                "occurred_at": event.occurred_at.isoformat(),
                "recorded_at": event.recorded_at.isoformat(),
                "lots": list(event.lots),
                "reverses": event.reverses,
            },
        },
        separators=(",", ":"),
    ).encode()


def _note(
    delivery: EventDelivery, state: str, failure: str, next_try_at: dt.datetime | None = None
) -> None:
    delivery.state, delivery.last_failure, delivery.next_try_at = state, failure, next_try_at
    delivery.tries += 1
    delivery.last_tried_at = clock.now()
    delivery.save()


def _advance(subscription: EventSubscription, after: int) -> None:
    if after > subscription.after:
        subscription.after = after
        subscription.save(update_fields=["after"])


def _arrived(subscription: EventSubscription, sequence: int) -> None:
    subscription.after = sequence
    subscription.given_up_in_a_row = 0
    EventSubscription.objects.filter(pk=subscription.pk).update(
        after=sequence,
        given_up_in_a_row=0,
        delivered=F("delivered") + 1,
        last_delivered_at=clock.now(),
    )


def _passed_over(subscription: EventSubscription, sequence: int, failure: str) -> bool:
    """Leaves a given-up event behind; stops a subscription whose receiver seems to be gone."""
    subscription.after = sequence
    subscription.given_up_in_a_row += 1
    fields = ["after", "given_up_in_a_row"]
    gone = failure == f"http_{GONE}"
    if gone or subscription.given_up_in_a_row >= GIVEN_UP_IN_A_ROW_MAX:
        subscription.is_active = False
        subscription.stopped_because = (
            "the receiver says it is gone"
            if gone
            else f"{subscription.given_up_in_a_row} events in a row were given up"
        )
        fields += ["is_active", "stopped_because"]
    subscription.save(update_fields=fields)
    return subscription.is_active
