"""The bar list and delivery notes as documents: JSON, CSV, workbook, PDF."""

from __future__ import annotations

from functools import partial
from typing import Any, ClassVar

from django.shortcuts import get_object_or_404
from rest_framework import serializers

from config.refusals import refuse
from lots.api.questions import choice_of
from lots.metals import Metal
from lots.models import BarRecord, DeliveryLine, DeliveryNote, Lot
from lots.queries.bar_list import BarList, bar_list
from lots.queries.delivery_note import DeliveryDocument
from reports.api.answers import ReportView, note_read
from reports.exports.bar_list import write_bar_list_csv, write_bar_list_workbook
from reports.exports.delivery_note_pdf import delivery_note_pdf
from reports.exports.files import csv_of
from reports.models import AccessRecord
from reports.queries.lot.customer_view import delivery_shown


class BarListReport(ReportView):
    """The bar list: marks, gross and fine weights and the rule of each, totals by metal."""

    asks = {
        "state": choice_of(
            Lot.State,
            help_text="Of the lots: available if neither this nor a delivery note is given.",
        ),
        "metal": choice_of(Metal),
        "delivery_note": serializers.CharField(required=False, max_length=20),
    }
    shows = BarList
    file_name = "bars"
    written_as = {
        "csv": lambda listed, file: csv_of(partial(write_bar_list_csv, listed))(file),
        "xlsx": write_bar_list_workbook,
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


class DeliveryNoteReport(ReportView):
    """A delivery note as a document: each lot's mass and metal, its bar, what was taken back."""

    asks: ClassVar[dict[str, Any]] = {}
    shows = DeliveryDocument
    forms = ("json", "pdf")
    written_as = {"pdf": lambda document, file: file.write(delivery_note_pdf(document))}

    def answer(self, asked: dict[str, Any], **path: Any) -> DeliveryDocument:
        notes = DeliveryNote.objects.select_related("party", "delivered_by")
        note = get_object_or_404(notes, code=path["code"])
        note_read(self.request, note.party, AccessRecord.What.DELIVERY, note.code, asked["as"])
        return delivery_shown(note)
