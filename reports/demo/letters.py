"""What goes to and fro with customers: money paid, a question answered, a link shown and closed."""

from __future__ import annotations

import datetime as dt

from reports.demo.office import CURRENCY
from reports.demo.story import Story
from reports.models import Payment, Settlement
from reports.services.payment import record_payment
from reports.services.settlement_question import answer_question, ask_question
from reports.services.shared_links import revoke_link, share_link

ASKED = (
    "Our laboratory found more silver in the gauze than yours, and it went to an umpire. What "
    "exactly was weighed and found, how was it settled, and where is our metal now?"
)
STILL_OPEN = "How much of our second load of flatware is still in the works?"


def correspond(story: Story) -> None:
    """After the last settlement: what was due is paid, one question is answered, one waits."""
    story.bench.tell("letters: payments, a question answered from the books, a link revoked")
    _pay(story, "flatware", story.on(0, 27, 11), "Till receipt 4")
    _pay(story, "contacts", story.on(1, 26, 11), "Bank line 12")
    gauze = _pay(story, "gauze", story.on(2, 5, 11), "Bank line 3")
    asked = story.on(2, 19, 9)
    with story.bench.at(asked, "odell", "Telephoned") as act:
        question = ask_question(lot=story.lots["gauze received"], question=ASKED, act=act)
    with story.bench.at(asked + dt.timedelta(hours=5), "marit") as act:
        answer_question(question=question, reply=question.draft, act=act)
    with story.bench.at(asked + dt.timedelta(hours=1), "odell", "For their buyer") as act:
        # The address is the key, so the demo lets it go unread.
        link = share_link(settlement=gauze, days=14, act=act)
    with story.bench.at(asked + dt.timedelta(hours=6), "odell", "Read by their buyer") as act:
        revoke_link(link=link, act=act)
    with story.bench.at(asked + dt.timedelta(hours=7), "odell") as act:
        ask_question(lot=story.lots["flatware2 received"], question=STILL_OPEN, act=act)


def _pay(story: Story, name: str, when: dt.datetime, reference: str) -> Settlement:
    """What the lot's settlement says is due, one way or the other."""
    lot = story.lots[f"{name} received"]
    settlement = Settlement.objects.get(lot=lot, state=Settlement.State.APPROVED)
    is_owed = settlement.total > 0
    with story.bench.at(when, "odell") as act:
        record_payment(
            customer=settlement.customer,
            settlement=settlement,
            direction=Payment.Direction.PAID if is_owed else Payment.Direction.RECEIVED,
            amount=abs(settlement.total),
            currency=CURRENCY,
            reference=reference,
            act=act,
        )
    return settlement
