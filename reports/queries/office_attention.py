"""What waits for the office: questions, drafts to approve, lots to settle."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from typing import Final

from django.db.models import Exists, OuterRef

from lots.models import Lot, Party
from reports.models import ContractTerms, Settlement, SettlementQuestion
from reports.queries.matters import LISTED_MAX, Attention, Urgency

ANSWER_WITHIN_D: Final = 7
SETTLE_AFTER_D: Final = 14


def office_matters(now: dt.datetime) -> Iterator[Attention]:
    """In a fixed number of queries."""
    yield from _questions(now)
    yield from _drafts()
    yield from _unsettled(now)


def _questions(now: dt.datetime) -> Iterator[Attention]:
    waiting = SettlementQuestion.objects.filter(state=SettlementQuestion.State.OPEN)
    for each in waiting.select_related("lot", "customer").order_by("asked_at")[:LISTED_MAX]:
        late = now - each.asked_at > dt.timedelta(days=ANSWER_WITHIN_D)
        text = f"{each.customer} asks about {each.lot.code}: a reply is drafted"
        urgency = Urgency.NOW if late else Urgency.TODAY
        yield Attention(urgency, "question", str(each.pk), text, each.asked_at)


def _drafts() -> Iterator[Attention]:
    drafts = Settlement.objects.filter(state=Settlement.State.DRAFT)
    for each in drafts.select_related("lot", "customer").order_by("prepared_at")[:LISTED_MAX]:
        text = (
            f"{each.get_kind_display()} settlement of {each.lot.code} for {each.customer} "
            "waits for a second person"
        )
        yield Attention(Urgency.TODAY, "settlement", each.code, text, each.prepared_at)


def _unsettled(now: dt.datetime) -> Iterator[Attention]:
    """Customers' lots with terms, in for some time, of which no settlement stands or waits."""
    settled = Settlement.objects.filter(lot=OuterRef("pk")).exclude(
        state=Settlement.State.WITHDRAWN
    )
    agreed = ContractTerms.objects.filter(customer=OuterRef("received_from"))
    lots = Lot.objects.filter(
        ~Exists(settled),
        Exists(agreed),
        received_from__kind=Party.Kind.CUSTOMER,
        registered_at__lt=now - dt.timedelta(days=SETTLE_AFTER_D),
    )
    for lot in lots.select_related("received_from").order_by("registered_at")[:LISTED_MAX]:
        days = (now - lot.registered_at).days
        text = f"{lot.received_from}'s {lot.get_form_display().lower()} came in {days} days ago "
        yield Attention(
            Urgency.SOON, "unsettled", lot.code, f"{text}and is not settled", lot.registered_at
        )
