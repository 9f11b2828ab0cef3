"""The count form goes out blind from its page, and comes back by it: whole or not at all."""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse
from openpyxl import load_workbook

from reports.models import CountLine, CountSheet
from reports.services.counts import open_count_sheet
from reports.services.month_end import begin_month_end
from tests.reports.conftest import APRIL

Make = Callable[..., Any]


@pytest.fixture
def sheet(in_june: Any, at: Make) -> CountSheet:
    month_end = begin_month_end(first_day=APRIL, act=at(6, 1))
    place = in_june.works.places["fine-safe"]
    return open_count_sheet(month_end=month_end, place=place, act=at(6, 1))


def filled(client: Client, sheet: CountSheet, gross: str) -> SimpleUploadedFile:
    answer = client.get(reverse("sheet-form", args=[sheet.code]))
    book = load_workbook(io.BytesIO(answer.content))
    page = book.worksheets[0]
    column = {cell.value: cell.column for cell in page[6]}
    for row in page.iter_rows(min_row=7):
        if row[1].value:
            page.cell(row[0].row, column["Gross"], gross)
            page.cell(row[0].row, column["Balance"], "bench")
            page.cell(row[0].row, column["How"], "weighed")
    file = io.BytesIO()
    book.save(file)
    return SimpleUploadedFile("count.xlsx", file.getvalue())


def upload(client: Client, sheet: CountSheet, file: SimpleUploadedFile) -> Any:
    address = reverse("sheet-upload", args=[sheet.code])
    key = client.get(address).context["form"]["key"].value()
    return client.post(address, {"key": key, "file": file})


def test_a_filled_in_form_is_entered(browser, sheet):
    answer = upload(browser, sheet, filled(browser, sheet, "1994.9"))
    assert answer.status_code == 302
    assert not CountLine.objects.filter(sheet=sheet, method="").exists()


def test_a_row_that_cannot_be_is_named_and_none_is_entered(browser, sheet):
    answer = upload(browser, sheet, filled(browser, sheet, "-3"))
    assert answer.status_code == 400
    assert "rows.7.gross" in answer.content.decode()
    assert not CountLine.objects.filter(sheet=sheet).exclude(method="").exists()


def test_what_is_no_form_is_refused(browser, sheet):
    answer = upload(browser, sheet, SimpleUploadedFile("count.xlsx", b"a photograph"))
    assert answer.status_code == 400
    assert "not_a_count_form" in answer.context["form"].errors.as_json()
