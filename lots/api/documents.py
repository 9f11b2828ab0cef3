"""Until when papers are kept, through the API."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

from django.utils import timezone
from rest_framework import serializers

from lots import clock
from lots.api.questions import QuestionView
from lots.local_law import LOCAL_LAW
from lots.models import Document
from lots.people.permissions import WorksOffice
from lots.queries.documents import DAYS_AHEAD, retention_ending
from lots.queries.works_zone import works_zone


@dataclass(frozen=True)
class KeptDocument:
    """A document whose time of keeping ends, and what it is about."""

    id: int
    kind: str
    name: str
    lot: str | None
    party: str | None
    retention_until: dt.date


@dataclass(frozen=True)
class RetentionEnding:
    by: dt.date
    documents: tuple[KeptDocument, ...]
    local_law: str = LOCAL_LAW


class RetentionReport(QuestionView):
    """Documents whose time of keeping ends by a day, the first to end first."""

    asks = {
        "by": serializers.DateField(
            required=False, help_text="Ending on this day or before: in 30 days if left out."
        )
    }
    shows = RetentionEnding
    permission_classes = [WorksOffice]

    def answer(self, asked: dict[str, Any], **path: Any) -> RetentionEnding:
        today = timezone.localdate(clock.now(), works_zone())
        by = asked.get("by") or today + dt.timedelta(days=DAYS_AHEAD)
        return RetentionEnding(by, tuple(_kept(each) for each in retention_ending(by)))


def _kept(document: Document) -> KeptDocument:
    assert document.retention_until is not None
    return KeptDocument(
        id=document.pk,
        kind=document.kind,
        name=document.name,
        lot=document.lot.code if document.lot else None,
        party=document.party.code if document.party else None,
        retention_until=document.retention_until,
    )
