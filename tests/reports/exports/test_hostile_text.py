"""Text that would run as a formula comes out of every export as text, whoever wrote it."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from types import SimpleNamespace

import pytest
from openpyxl import load_workbook
from rest_framework.test import APIClient

from config.api_description import described
from config.sheet_text import as_written, as_written_in_csv
from lots.models import Lot, Party, Place

HOSTILE = '=HYPERLINK("http://127.0.0.1/?"&A1;"see");@SUM(1+1)*cmd|\' /C calc\'!A0'
RUNS = ("=", "+", "-", "@")
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
def hostile(in_june: SimpleNamespace) -> SimpleNamespace:
    Party.objects.update(name=HOSTILE[:120])
    Place.objects.update(name=HOSTILE[:80])
    Lot.objects.update(description=HOSTILE)
    return in_june


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
        address = (
            path.replace("{month}", "2026-04")
            .replace("{party}", "pellow-dane")
            .replace("{code}", hostile.pooled.code)
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
