"""The bar list and the delivery note as they leave: CSV, workbook with live totals, PDF."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from decimal import Decimal
from types import SimpleNamespace

import pytest
from openpyxl import load_workbook

from lots.local_law import LOCAL_LAW
from lots.measurements.assays import AssayReport, Finding, record_assay
from lots.measurements.weighings import Weight, record_weighing
from lots.models import BarRecord, Lot
from lots.queries.bar_list import bar_list
from lots.queries.delivery_note import delivery_document
from lots.services.bars_listing import Bar, list_bar, strike_bar
from lots.services.delivery import Delivered, deliver
from lots.services.receipt import receive_lot
from reports.exports.bar_list import (
    write_bar_list_csv,
    write_bar_list_workbook,
)
from reports.exports.delivery_note_pdf import delivery_note_pdf
from reports.exports.lot_answer_pdf import lot_answer_pdf
from reports.queries.lot.lot_answer import lot_answer
from tests.builders import receipt_of, receive
from tests.pdf_text import text_of
from tests.reports.exports.recalculated import needs_libreoffice, recalculate


@pytest.fixture
def bars(works, act):
    """Two gold bars and one of silver on the list (invented), the marks awkward on purpose."""
    works.balance.capacity_ug = 40_000_000_000
    works.balance.save()
    listed = []
    for mark, metal, ug, ppt, small in (
        ("TQ 1", "Au", 1_000_000_000, "999.9", "1 kg"),
        ("=TQ 2", "Au", 12_476_382_131, "995.8", ""),
        ("TQ 3", "Ag", 31_104_000_000, "999.93", ""),
    ):
        weight = Weight(ug, 0, works.balance)
        declared = {metal: Decimal(ppt)}
        receipt = receipt_of(works, declared=declared, form=Lot.Form.BAR, weight=weight)
        lot = receive_lot(receipt=receipt, act=act(0))
        findings = {metal: Finding(Decimal(ppt), Decimal("0.02"))}
        report = AssayReport("fire_assay", works.laboratory, findings)
        assay = record_assay(lot=lot, report=report, act=act(1))
        weighing = record_weighing(lot=lot, weight=weight, purpose="output", act=act(1))
        bar = Bar(mark, metal, weighing, assay, small_bar=small)
        listed.append(list_bar(lot=lot, bar=bar, act=act(2)))
    return listed


@pytest.fixture
def listed(bars):
    return bar_list(BarRecord.objects.select_related("lot").order_by("id"))


@pytest.fixture
def book(listed, tmp_path):
    path = tmp_path / "bars.xlsx"
    with path.open("wb") as file:
        write_bar_list_workbook(listed, file)
    return path


def test_the_workbook_has_each_bar_with_its_rules_and_totals_that_are_formulas(listed, book):
    sheet = load_workbook(book)["Bars"]
    first = len(listed.notes) + 5
    assert [sheet.cell(first - 1, at).value for at in (1, 5, 7)] == [
        "Mark",
        "Gross, ozt",
        "Fine, ozt",
    ]
    for row, bar in enumerate(listed.bars, first):
        assert sheet[f"B{row}"].value == bar.lot
        assert Decimal(repr(sheet[f"E{row}"].value)) == bar.gross_ozt
        assert (sheet[f"H{row}"].value, sheet[f"I{row}"].value) == (bar.gross_rule, bar.fine_rule)
    assert sheet[f"A{first + 1}"].value == "'=TQ 2"
    assert sheet[f"G{first + 2}"].value is None
    gold = first + 3
    span = f"$C${first}:$C${first + 2},C{gold},G${first}:G${first + 2}"
    assert sheet[f"G{gold}"].value == f"=ROUND(SUMIF({span}),6)"
    assert LOCAL_LAW in [sheet.cell(row, 1).value for row in range(1, first)]


@needs_libreoffice
@pytest.mark.libreoffice
def test_the_totals_recalculate_to_those_of_the_json(listed, book, tmp_path):
    sheet = recalculate(book, tmp_path)["Bars"]
    for row, total in enumerate(listed.totals, len(listed.notes) + 5 + len(listed.bars)):
        assert (sheet[f"A{row}"].value, sheet[f"B{row}"].value) == ("Total", total.bars)
        for letter, expected in (("E", total.gross_ozt), ("G", total.fine_ozt)):
            found = Decimal(repr(sheet[f"{letter}{row}"].value)).quantize(Decimal("0.000001"))
            assert found == expected


def test_the_api_gives_the_list_in_three_forms_and_of_one_note(api, works, act, bars):
    address = "/api/v1/reports/bars/"
    data = api.get(address).json()
    # The agreed table: 32.148 for 1 kg at 999.9; Annex C: 399.440 of 401.125 at 995.8.
    assert [bar["fine_ozt"] for bar in data["bars"]] == [None, "399.440", "32.148"]
    totals = {each["metal"]: each["fine_ozt"] for each in data["totals"]}
    assert totals == {"Ag": "0", "Au": "431.588"}
    text = b"".join(api.get(address, {"as": "csv"}).streaming_content).decode()
    rows = list(csv.DictReader(io.StringIO(text)))
    assert [row["mark"] for row in rows] == ["TQ 3", "'=TQ 2", "TQ 1"]
    assert rows[2]["fine_rule"] == "agreed table: small gold bars, London"
    sheet = b"".join(api.get(address, {"as": "xlsx"}).streaming_content)
    assert load_workbook(io.BytesIO(sheet)).sheetnames == ["Bars"]
    items = [Delivered(bars[0].lot)]
    note = deliver(kind="shipment", party=works.pellow, items=items, act=act(3))
    assert len(api.get(address).json()["bars"]) == 2
    of_note = api.get(address, {"delivery_note": note.code}).json()
    assert [bar["mark"] for bar in of_note["bars"]] == ["TQ 1"]
    assert len(api.get(address, {"metal": "Ag"}).json()["bars"]) == 1
    unknown = api.get(address, {"delivery_note": "DN26-0000"})
    assert (unknown.status_code, unknown.json()["field"]) == (404, "delivery_note")
    strike_bar(record=bars[1], reason="wrong mark", act=act(4))
    assert len(api.get(address).json()["bars"]) == 1


def test_a_delivery_note_prints_what_its_json_says(api, works, act, bars):
    items = [
        Delivered(bars[1].lot, Weight(12_476_400_000, 0, works.balance)),
        Delivered(bars[2].lot),
    ]
    note = deliver(
        kind="shipment", party=works.pellow, items=items, carrier="Van (invented)", act=act(3)
    )
    document = delivery_document(note)
    pdf = delivery_note_pdf(document)
    assert pdf == delivery_note_pdf(document)
    text = text_of(pdf)
    for said in (
        note.code,
        "Pellow & Dane",
        "Tern Quay Refining",
        "Van (invented)",
        "=TQ 2",
        "no fine weight stated",
        "Received by",
        "Handed over by operator",
        "page 1 of ",
        "local law",
    ):
        assert said in text, said
    address = f"/api/v1/delivery-notes/{note.code}/document/"
    data = api.get(address).json()
    assert [each["lot"] for each in data["lots"]] == [bars[1].lot.code, bars[2].lot.code]
    assert data["metals"]["Ag"]["ug"] == document.metals["Ag"]
    sent = b"".join(api.get(address, {"as": "pdf"}).streaming_content)
    assert sent == delivery_note_pdf(document)
    assert api.get("/api/v1/delivery-notes/DN26-0000/document/").status_code == 404


def test_a_lots_answer_prints_what_it_says(works: SimpleNamespace, act):
    lot = receive(works, act(0), grams=1000, owner=works.brackwater)
    answer = lot_answer(lot)
    made_at = act(3).moment
    pdf = lot_answer_pdf(answer, house="Tern Quay Refining", made_at=made_at)
    text = text_of(pdf)
    for said in (
        lot.code,
        "Isolde Brackwater",
        "Ag: 925.000000 g",
        "Still in the lot",
        "local law",
    ):
        assert said in text, said


def test_no_text_of_a_bar_runs_whatever_sign_ends_a_cell(listed, tmp_path):
    texts = ("mark", "gross_rule", "fine_rule", "fine_source")
    hostile = dict.fromkeys(texts, '=HYPERLINK("http://x/");@SUM(1)')
    bars = [replace(bar, **hostile, outside=("+1+1", "-2")) for bar in listed.bars]
    listed = replace(listed, bars=type(listed.bars)(bars))
    text = io.StringIO()
    write_bar_list_csv(listed, text)
    for row in csv.DictReader(io.StringIO(text.getvalue())):
        assert {row[name] for name in texts} == {"'=HYPERLINK(\"http://x/\");'@SUM(1)"}
        assert row["outside"].startswith("'+1")
    with (tmp_path / "bars.xlsx").open("w+b") as file:
        write_bar_list_workbook(listed, file)
        cells = [cell for row in load_workbook(file)["Bars"].iter_rows() for cell in row]
    assert sum("HYPERLINK" in str(cell.value) for cell in cells) == len(texts) * len(bars)
    assert not [cell for cell in cells if cell.data_type == "f" and "HYPER" in cell.value]
