"""Photos and papers of lots and parties through the API, and until when they are kept."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

from django.shortcuts import get_object_or_404
from django.utils import timezone
from rest_framework import serializers
from rest_framework.parsers import MultiPartParser

from lots import clock
from lots.api.commands import ActSerializer, CommandView
from lots.api.fields import UploadField
from lots.api.questions import Question, QuestionView
from lots.api.serializers import DocumentSerializer
from lots.ledger.recording import Act
from lots.local_law import LOCAL_LAW
from lots.models import Document, Lot, Party
from lots.people.permissions import WorksOffice
from lots.people.roles import OFFICE
from lots.queries.documents import DAYS_AHEAD, retention_ending
from lots.queries.works_zone import works_zone
from lots.services.documents import Filing, attach_document, file_document


class FilingInput(ActSerializer):
    """What a document is, and the last day it must be kept."""

    kind = serializers.ChoiceField(choices=Document.Kind.choices, default=Document.Kind.OTHER)
    retention_until = serializers.DateField(required=False, allow_null=True, default=None)


class DocumentInput(FilingInput):
    file = UploadField()


def filing_of(data: dict[str, Any]) -> Filing:
    return Filing(kind=data["kind"], retention_until=data["retention_until"])


class AttachDocument(CommandView):
    """Attach a PDF, PNG, JPEG or WebP file to a lot."""

    input = DocumentInput
    output = DocumentSerializer
    parser_classes = [MultiPartParser]

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Document:
        return attach_document(
            lot=get_object_or_404(Lot, code=path["code"]),
            file=data["file"],
            claimed_type=data["file"].content_type or "",
            filing=filing_of(data),
            act=act,
        )


class AttachToParty(CommandView):
    """Attach a paper to a party, such as proof of identity. Only the office sees these.

    Which papers are asked for and how long they are kept is for local law.
    """

    input = DocumentInput
    output = DocumentSerializer
    parser_classes = [MultiPartParser]
    writers = OFFICE

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Document:
        return attach_document(
            party=get_object_or_404(Party, code=path["code"]),
            file=data["file"],
            claimed_type=data["file"].content_type or "",
            filing=filing_of(data),
            act=act,
        )


class FileDocument(CommandView):
    """Say anew what a document is and until when it is kept."""

    input = FilingInput
    output = DocumentSerializer
    writers = OFFICE

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Document:
        document = get_object_or_404(Document, pk=path["pk"])
        return file_document(document=document, filing=filing_of(data), act=act)


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


class RetentionQuestion(Question):
    by = serializers.DateField(
        required=False, help_text="Ending on this day or before: in 30 days if left out."
    )


class RetentionReport(QuestionView):
    """Documents whose time of keeping ends by a day, the first to end first."""

    asks = RetentionQuestion
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
