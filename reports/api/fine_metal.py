"""The bar list and delivery notes as documents: JSON, CSV, workbook, PDF."""

from __future__ import annotations

import io
from typing import Any, ClassVar

from django.shortcuts import get_object_or_404
from drf_spectacular.types import OpenApiTypes
from rest_framework import serializers
from rest_framework.response import Response

from config.refusals import refuse
from lots.api.questions import QuestionView
from lots.api.records import show
from lots.metals import Metal
from lots.models import BarRecord, DeliveryLine, DeliveryNote, Lot, Party
from lots.queries.bar_list import BarList, bar_list
from lots.queries.delivery_note import DeliveryDocument
from reports.api.answers import CSV, PDF, XLSX, ReportQuestion, note_read, sent, temporary
from reports.exports.bar_list import write_bar_list_csv, write_bar_list_workbook
from reports.exports.delivery_note_pdf import delivery_note_pdf
from reports.models import AccessRecord
from reports.queries.lot.customer_view import delivery_shown


class BarListQuestion(ReportQuestion):
    state = serializers.ChoiceField(
        choices=Lot.State.choices,
        required=False,
        help_text="Of the lots: available if neither this nor a delivery note is given.",
    )
    metal = serializers.ChoiceField(choices=Metal.choices, required=False)
    delivery_note = serializers.CharField(required=False, max_length=20)

    def get_fields(self) -> dict[str, Any]:
        found = super().get_fields()
        del found["table"]
        return found


class BarListReport(QuestionView):
    """The bar list: marks, gross and fine weights and the rule of each, totals by metal."""

    asks = BarListQuestion
    shows = BarList
    other_answers: ClassVar[dict[Any, Any]] = {
        (200, CSV): OpenApiTypes.BINARY,
        (200, XLSX): OpenApiTypes.BINARY,
    }

    def answer(self, asked: dict[str, Any], **path: Any) -> BarList:
        records = BarRecord.objects.filter(struck_at=None).select_related("lot")
        code = asked.get("delivery_note")
        if code is not None:
            if not DeliveryNote.objects.filter(code=code).exists():
                raise refuse("unknown:fine_metal", field="delivery_note", value=code)
            lines = DeliveryLine.objects.filter(note__code=code)
            records = BarRecord.objects.filter(pk__in=lines.values("bar_record"))
            records = records.select_related("lot")
        if code is None or "state" in asked:
            records = records.filter(lot__state=asked.get("state", Lot.State.AVAILABLE))
        if "metal" in asked:
            records = records.filter(metal=asked["metal"])
        return bar_list(records.order_by("metal", "mark", "id"))

    def respond(self, asked: dict[str, Any], **path: Any) -> Any:
        listed = self.answer(asked, **path)
        if asked["as"] == "json":
            return Response(show(listed))
        file = temporary()
        if asked["as"] == "csv":
            text = io.TextIOWrapper(file, encoding="utf-8", newline="")
            write_bar_list_csv(listed, text)
            text.flush()
            text.detach()
            return sent(file, "bars.csv", f"{CSV}; charset=utf-8")
        write_bar_list_workbook(listed, file)
        return sent(file, "bars.xlsx", XLSX)


class NoteQuestion(ReportQuestion):
    forms = ("json", "pdf")


class DeliveryNoteReport(QuestionView):
    """A delivery note as a document: each lot's mass and metal, its bar, what was taken back."""

    asks = NoteQuestion
    shows = DeliveryDocument
    other_answers: ClassVar[dict[Any, Any]] = {(200, PDF): OpenApiTypes.BINARY}

    def answer(self, asked: dict[str, Any], **path: Any) -> DeliveryDocument:
        notes = DeliveryNote.objects.select_related("party", "delivered_by")
        return delivery_shown(get_object_or_404(notes, code=path["code"]))

    def respond(self, asked: dict[str, Any], **path: Any) -> Any:
        document = self.answer(asked, **path)
        reader = Party.objects.get(code=document.party)
        note_read(self.request, reader, AccessRecord.What.DELIVERY, document.code, asked["as"])
        if asked["as"] == "json":
            return Response(show(document))
        file = temporary()
        file.write(delivery_note_pdf(document))
        return sent(file, f"{document.code}.pdf", PDF)
