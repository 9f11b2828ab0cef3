"""The bar list as a page: narrowed, added up, taken along as a workbook and a paper."""

from __future__ import annotations

import io
from decimal import Decimal

import pytest
from django.urls import reverse
from openpyxl import load_workbook
from pypdf import PdfReader

from lots.local_law import LOCAL_LAW
from lots.measurements.assays import AssayReport, Finding, record_assay
from lots.measurements.weighings import Weight, record_weighing
from lots.models import Lot
from lots.services.bars_listing import Bar, list_bar, strike_bar
from lots.services.delivery import Delivered, deliver
from lots.services.receipt import receive_lot
from tests.builders import receipt_of
from tests.reports.exports.recalculated import needs_libreoffice, recalculate


@pytest.fixture
def bars(works, act):
    """Two bars of gold and two of silver (invented): one is struck out, one delivered."""
    works.balance.capacity_ug = 40_000_000_000
    works.balance.save()
    listed = {}
    for mark, metal, ug, ppt in (
        ("TQ 1", "Au", 12_476_382_131, "995.8"),
        ("TQ 2", "Au", 12_000_000_000, "996.1"),
        ("TQ 3", "Ag", 31_104_000_000, "999.93"),
        ("TQ 4", "Ag", 31_204_000_000, "999.91"),
    ):
        weight = Weight(ug, 0, works.balance)
        receipt = receipt_of(
            works, declared={metal: Decimal(ppt)}, form=Lot.Form.BAR, weight=weight
        )
        lot = receive_lot(receipt=receipt, act=act(0))
        findings = {metal: Finding(Decimal(ppt), Decimal("0.02"))}
        report = AssayReport("fire_assay", works.laboratory, findings)
        found = record_assay(lot=lot, report=report, act=act(1))
        weighed = record_weighing(lot=lot, weight=weight, purpose="output", act=act(1))
        listed[mark] = list_bar(lot=lot, bar=Bar(mark, metal, weighed, found), act=act(2))
    strike_bar(record=listed["TQ 2"], reason="remelted", act=act(3))
    items = [Delivered(listed["TQ 4"].lot)]
    listed["note"] = deliver(kind="shipment", party=works.pellow, items=items, act=act(3))
    return listed


def marks(browser, **query):
    page = browser.get(reverse("bars"), query)
    assert page.status_code == 200
    return [row.mark for _, row in page.context["rows"]]


def test_the_list_shows_what_is_at_the_works_unless_told_otherwise(browser, bars):
    assert marks(browser) == ["TQ 3", "TQ 1"]
    assert marks(browser, which="gone") == ["TQ 4"]
    assert marks(browser, which="struck") == ["TQ 2"]
    assert marks(browser, which="all") == ["TQ 3", "TQ 4", "TQ 1", "TQ 2"]
    assert marks(browser, metal="Au") == ["TQ 1"]
    assert marks(browser, mark="tq 3") == ["TQ 3"]
    # A note's bars have left, so naming a note means all of its bars.
    assert marks(browser, delivery_note=bars["note"].code) == ["TQ 4"]
    assert marks(browser, which="nonsense") == []


def test_each_bar_says_its_rule_and_the_totals_are_those_of_the_api(browser, api, bars):
    page = browser.get(reverse("bars"))
    text = page.content.decode()
    for said in ("401.125", "399.440", "rounded down to 0.025 ozt", "not stated", LOCAL_LAW[:40]):
        assert said in text, said
    shown = {each.metal: (each.bars, each.gross_ozt) for each in page.context["totals"]}
    told = {
        each["metal"]: (each["bars"], Decimal(each["gross_ozt"]))
        for each in api.get("/api/v1/reports/bars/").json()["totals"]
    }
    assert shown == told
    # What is ticked goes to the delivery form.
    opened = browser.get(reverse("deliver"), {"lot": [bars["TQ 1"].lot.code]})
    assert bars["TQ 1"].lot.code in opened.content.decode()


def test_a_bar_at_hand_that_is_not_listed_is_named(browser, bars):
    unlisted = bars["TQ 2"].lot
    page = browser.get(reverse("bars"))
    assert list(page.context["unlisted"]) == [unlisted]
    assert reverse("list-bar", args=[unlisted.code]) in page.content.decode()


def test_more_bars_cost_no_more_queries(browser, bars, django_assert_max_num_queries):
    with django_assert_max_num_queries(60) as few:
        browser.get(reverse("bars"), {"which": "gone"})
    with django_assert_max_num_queries(60) as many:
        browser.get(reverse("bars"), {"which": "all"})
    assert len(many) == len(few)


@needs_libreoffice
@pytest.mark.libreoffice
def test_the_pages_workbook_recalculates_to_the_json_of_the_same_bars(browser, api, bars, tmp_path):
    address = reverse("bars-workbook")
    path = tmp_path / "bars.xlsx"
    path.write_bytes(browser.get(address).content)
    sheet = recalculate(path, tmp_path)["Bars"]
    rows = list(sheet.iter_rows(values_only=True))
    told = api.get("/api/v1/reports/bars/").json()
    totals = {row[2]: row for row in rows if row[0] == "Total"}
    for each in told["totals"]:
        row = totals[each["metal"]]
        assert row[1] == each["bars"]
        gross, fine = (Decimal(repr(row[at] or 0)).quantize(Decimal("0.000001")) for at in (4, 6))
        assert (gross, fine) == (Decimal(each["gross_ozt"]), Decimal(each["fine_ozt"]))


def test_the_files_have_the_bars_that_the_page_has(browser, bars):
    book = browser.get(reverse("bars-workbook"), {"which": "gone"})
    sheet = load_workbook(io.BytesIO(book.content))["Bars"]
    found = {row[0].value for row in sheet.iter_rows() if str(row[0].value).startswith("TQ")}
    assert found == {"TQ 4"}
    paper = browser.get(reverse("bars-paper"))
    assert paper["Content-Type"] == "application/pdf"
    text = "\n".join(page.extract_text() for page in PdfReader(io.BytesIO(paper.content)).pages)
    assert "TQ 1" in text
    assert "399.440" in text
    assert "TQ 4" not in text
    assert "Au: 1 bar" in text
