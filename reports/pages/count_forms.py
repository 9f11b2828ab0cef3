"""The count form on paper or in a spreadsheet: taken away blind, brought back filled in."""

from __future__ import annotations

import io
from typing import Any

from django import forms
from django.conf import settings
from django.db.models import Model
from django.http import HttpRequest, HttpResponse

from config.refusals import refuse
from lots.ledger.recording import Act
from lots.pages.bench_form import ActForm
from lots.people.access import staff_page
from reports.exports.count_form import count_form_table
from reports.exports.workbook import write_workbook
from reports.pages.counts import OfSheet, sheet_of
from reports.queries.count_sheets import blind_lines
from reports.services.count_import import import_counts

XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


@staff_page
def count_form(request: HttpRequest, code: str) -> HttpResponse:
    """The sheet's form, without any figure of the book."""
    sheet = sheet_of(code)
    file = io.BytesIO()
    write_workbook([count_form_table(sheet, blind_lines(sheet))], file)
    name = f'attachment; filename="count-{sheet.code}.xlsx"'
    return HttpResponse(file.getvalue(), XLSX, headers={"Content-Disposition": name})


class UploadForm(ActForm):
    file = forms.FileField(label="The filled-in form, xlsx or CSV", allow_empty_file=True)


class UploadSheet(OfSheet):
    title = "Bring the filled-in form back"
    lead = "Every row is entered, or none: a row that can't be is named, with what to put right."
    button = "Enter the counts"
    done = "The counts are entered."
    form_class = UploadForm

    def perform(self, act: Act, form: Any) -> Model:
        file = form.cleaned_data["file"]
        if file.size > settings.UPLOAD_BYTES_MAX:
            raise refuse("too_large", field="file", value=file.size)
        return import_counts(sheet=self.subject, content=file.read(), act=act)
