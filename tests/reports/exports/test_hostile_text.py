"""Text that would run as a formula comes out of every export as text, whoever wrote it."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator
from types import SimpleNamespace

import pytest
from django.apps import apps
from django.contrib.auth import get_user_model
from django.db import connection
from django.db.models import CharField, Model, TextField
from openpyxl import load_workbook
from rest_framework.test import APIClient

from config.api_description import described
from config.sheet_text import as_written, as_written_in_csv
from lots.ledger.recording import Act
from reports.services.counts import open_count_sheet
from reports.services.month_end import begin_month_end
from tests.databases import unguarded
from tests.reports.conftest import APRIL

HOSTILE = '=HYPERLINK("http://127.0.0.1/?"&A1;"see");@SUM(1+1)*cmd|\' /C calc\'!A0'
RUNS = ("=", "+", "-", "@")
WRITTEN = {
    "acknowledgement",
    "carrier",
    "cause",
    "certificate",
    "contact",
    "copper_acknowledgement",
    "description",
    "entered_as",
    "explanation",
    "fine_rule",
    "fine_source",
    "gross_rule",
    "mark",
    "message",
    "name",
    "note",
    "reason",
    "source",
    "state_reason",
    "struck_reason",
    "tests_waived",
    "waiver",
}
QUERY = {
    "from_date": "2026-04-01",
    "to_date": "2026-06-02",
    "from_month": "2026-04",
    "to_month": "2026-05",
    "month": "2026-04",
}


def exports() -> list[tuple[str, str, dict[str, str]]]:
    """Every address of the API that answers a table, each form it offers, and what it asks."""
    found = []
    for path, operations in described()["paths"].items():
        asked = {each["name"]: each for each in operations.get("get", {}).get("parameters", ())}
        query = {name: value for name, value in QUERY.items() if name in asked}
        forms = set(asked.get("as", {}).get("schema", {}).get("enum", ())) & {"csv", "xlsx"}
        found += [(path, form, query) for form in sorted(forms)]
    return found


@pytest.fixture
def hostile(in_june: SimpleNamespace, at: Callable[..., Act]) -> SimpleNamespace:
    month_end = begin_month_end(first_day=APRIL, act=at(6, 1))
    place = in_june.works.places["feed-shelf"]
    in_june.sheet = open_count_sheet(month_end=month_end, place=place, act=at(6, 1))
    with unguarded(connection):
        for model, name, length in free_texts():
            model._base_manager.update(**{name: HOSTILE[:length]})
    get_user_model().objects.filter(pk=in_june.works.operator.pk).update(username=HOSTILE)
    return in_june


def free_texts() -> Iterator[tuple[type[Model], str, int | None]]:
    """Every field that people write words into."""
    for label in ("lots", "cells", "reports"):
        for model in apps.get_app_config(label).get_models():
            for field in model._meta.concrete_fields:
                is_text = isinstance(field, CharField | TextField) and not field.choices
                if is_text and field.name in WRITTEN:
                    yield model, field.name, field.max_length


def texts_of(content: bytes, form: str) -> list[str]:
    if form == "csv":
        return [
            cell for row in csv.reader(io.StringIO(content.decode("utf-8-sig"))) for cell in row
        ]
    sheets = load_workbook(io.BytesIO(content)).worksheets
    return [
        str(cell.value)
        for sheet in sheets
        for row in sheet.iter_rows()
        for cell in row
        if cell.value is not None and cell.data_type != "f"
    ]


def formulas_of(content: bytes) -> list[str]:
    sheets = load_workbook(io.BytesIO(content)).worksheets
    cells = (cell for sheet in sheets for row in sheet.iter_rows() for cell in row)
    return [str(cell.value) for cell in cells if cell.data_type == "f"]


def test_no_export_lets_a_name_run(
    hostile: SimpleNamespace, api_as: Callable[[object], APIClient]
) -> None:
    office = api_as(hostile.works.manager)
    met = set()
    answered = set()
    for path, form, query in exports():
        code = hostile.sheet.code if "count-sheets" in path else hostile.pooled.code
        address = (
            path.replace("{month}", "2026-04")
            .replace("{party}", "pellow-dane")
            .replace("{code}", code)
        )
        answer = office.get(address, {"as": form, **query})
        if answer.status_code != 200:
            continue
        content = b"".join(answer)
        answered.add(path)
        for text in texts_of(content, form):
            if "HYPERLINK" in text:
                met.add(path)
                assert not text.startswith(RUNS), (path, form, text)
                assert form != "csv" or ";@SUM" not in text, (path, text)
                back = as_written_in_csv(text) if form == "csv" else as_written(text)
                assert "'@SUM" not in back, (path, form, text)
        if form == "xlsx":
            assert not [each for each in formulas_of(content) if "HYPERLINK" in each], path
    assert len(answered) >= 5
    assert len(met) >= 3
    assert {"/api/v1/count-sheets/{code}/form/", "/api/v1/reports/movements/"} <= met
