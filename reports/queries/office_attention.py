"""What waits for the office: questions, drafts to approve, lots to settle."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from typing import Final

from django.db.models import Count, Exists, Min, OuterRef

from lots.display import grams
from lots.metals import Metal
from lots.models import Document, Lot, LotStanding, Movement, Party
from lots.queries.documents import DAYS_AHEAD, Keeping
from reports.models import ContractTerms, Settlement, SettlementQuestion
from reports.queries.obligations import CoverWarning, Obligations, Readiness
from reports.queries.to_do import LISTED_MAX, Attention, Urgency

ANSWER_WITHIN_D: Final = 7
SETTLE_AFTER_D: Final = 14


def office_matters(now: dt.datetime) -> Iterator[Attention]:
    """In a fixed number of queries."""
    yield from _questions(now)
    yield from _drafts()
    yield from _unsettled(now)


def paper_matters(today: dt.date) -> Iterator[Attention]:
    """How many papers' time of keeping ends soon, for those who may see them all."""
    by = today + dt.timedelta(days=DAYS_AHEAD)
    ending = Document.objects.filter(Keeping.ENDING.limit(today, by))
    count, first = ending.aggregate(count=Count("pk"), first=Min("retention_until")).values()
    if count:
        papers = "1 paper's" if count == 1 else f"{count} papers'"
        text = f"{papers} time of keeping ends within {DAYS_AHEAD} days"
        first_said = "on" if count == 1 else "the first on"
        text = f"{text}, {first_said} {first}"
        yield Attention(Urgency.SOON, "papers", Keeping.ENDING, text)


def cover_matters(owed: Obligations) -> Iterator[Attention]:
    """A metal of which more is owed than is fine and at hand, or than is held at all."""
    for each in owed.metals:
        name = Metal(each.metal).label
        if CoverWarning.OWED_ABOVE_HELD in each.warnings:
            short = grams(each.owed_ug - sum(each.held_ug.values()))
            text = f"{name}: {short} more is owed to customers than the works' pool holds"
            yield Attention(Urgency.NOW, "cover", each.metal, text)
        elif CoverWarning.OWED_ABOVE_DELIVERABLE in each.warnings:
            short = grams(each.owed_ug - each.held_ug[Readiness.FINE])
            text = f"{name}: {short} more is owed to customers than is fine and can be delivered"
            yield Attention(Urgency.TODAY, "cover", each.metal, text)


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
            "waits to be approved"
        )
        yield Attention(Urgency.TODAY, "settlement", each.code, text, each.prepared_at)


def _unsettled(now: dt.datetime) -> Iterator[Attention]:
    """Customers' lots with terms, in for some time, of which no settlement stands or waits."""
    settled = Settlement.objects.filter(lot=OuterRef("pk")).exclude(
        state=Settlement.State.WITHDRAWN
    )
    agreed = ContractTerms.objects.filter(customer=OuterRef("received_from"))
    received = LotStanding.objects.filter(lot=OuterRef("pk"), movement__kind=Movement.Kind.RECEIPT)
    lots = Lot.objects.filter(
        ~Exists(settled),
        Exists(received),
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
