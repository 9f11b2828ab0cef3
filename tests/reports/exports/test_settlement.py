"""A settlement's workbook recalculates to its JSON; its PDF says what it says."""

from __future__ import annotations

import datetime as dt
import io
from dataclasses import replace
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path

import pytest
from fontTools.ttLib import TTFont
from openpyxl import load_workbook

from config import paper_fonts
from lots.measurements.assays import AssayReport, Finding, record_assay
from lots.measurements.weighings import Weight
from lots.models import Lot
from lots.services.ownership import change_owner
from lots.services.receipt import Receipt, receive_lot
from reports.exports.settlement_pdf import settlement_pdf
from reports.exports.settlement_workbook import first_line_row, write_settlement_workbook
from reports.models import MetalPrice
from reports.queries.lot.settlement_statement import SettlementDocument, settlement_statement
from reports.services.settlement import approve_settlement, prepare_settlement
from reports.services.terms import set_terms
from reports.settlement_lines import Evidence
from tests.pdf_text import text_of
from tests.reports.exports.recalculated import needs_libreoffice, recalculate

TERMS = {
    "currency": "EUR",
    "settle_in": "money",
    "price_basis": "average",
    "period": {"days": 7},
    "metals": [
        {
            "metal": metal,
            "splitting_limit_ppt": "2",
            "umpire_rule": "mean_with_nearer",
            "refining_charge_per_ozt": charge,
            "accountability": [{"percent": "99.25", "minimum_deduction_ppt": "1.5"}],
        }
        for metal, charge in (("Ag", "0.47"), ("Au", "6.13"))
    ],
    "treatment": [{"per_kg": "41.3"}],
    "treatment_minimum": "60",
    "penalties": [{"element": "Cu", "limit_ppt": "50", "per_ppt_and_kg": "0.033"}],
    "assay_fee": "25.55",
    "umpire_fee": "81",
}
# Invented results: Ag within the limit, Au at the umpire's.
RESULTS = {
    "house": {"Ag": "873.217", "Au": "31.2", "Cu": "93.7"},
    "counterparty": {"Ag": "874.004", "Au": "34.9"},
    "umpire": {"Au": "32.3"},
}


@pytest.fixture
def document(works, act) -> SettlementDocument:
    """A final settlement that supersedes another, with prices that don't divide evenly."""
    receipt = Receipt(
        party=works.brackwater,
        owner=works.brackwater,
        form=Lot.Form.FEED,
        place=works.places["feed-shelf"],
        weight=Weight(2_743_181_700, 311_700_000, works.balance),
        declared={"Ag": Decimal(870), "Au": Decimal(33), "Cu": Decimal(97)},
        description="=HYPERLINK(1) worn flatware",
    )
    lot = receive_lot(receipt=receipt, act=act(0))
    for side, results in RESULTS.items():
        findings = {m: Finding(Decimal(v), Decimal("0.2")) for m, v in results.items()}
        report = AssayReport("fire_assay", works.laboratory, findings, side=side)
        record_assay(lot=lot, report=report, act=act(1))
    change_owner(lot=lot, owner=works.house, as_claim=True, act=act(2))
    set_terms(customer=works.brackwater, content=TERMS, act=act(0))
    for metal, prices in (("Ag", ("31.11", "31.46", "30.98")), ("Au", ("3011.7", "2998.05"))):
        for day, price in enumerate(prices, start=4):
            MetalPrice.objects.create(
                metal=metal,
                per_unit="ozt",
                price=Decimal(price),
                currency="EUR",
                from_date=dt.date(2026, 5, day),
                source="Invented fixing",
            )
    first = prepare_settlement(lot=lot, kind="final", act=act(3))
    approve_settlement(settlement=first, act=act(4, who=works.manager))
    second = prepare_settlement(lot=lot, kind="final", tax=Decimal("-12.34"), act=act(5))
    approve_settlement(settlement=second, act=act(6, who=works.manager))
    return settlement_statement(second)


def written(document: SettlementDocument, folder: Path) -> Path:
    path = folder / "settlement.xlsx"
    with path.open("wb") as file:
        write_settlement_workbook(document, file)
    return path


def test_every_reckoned_figure_is_a_formula_and_every_input_a_number(document, tmp_path):
    sheet = load_workbook(written(document, tmp_path))["Statement"]
    for row, told in enumerate(document.lines, first_line_row(document)):
        value = sheet[f"C{row}"].value
        if told.line.formula:
            assert str(value).startswith("=")
        else:
            assert Decimal(repr(value)) == told.line.value
    assert sheet["B4"].value == f"{document.lot} =HYPERLINK(1) worn flatware"


@needs_libreoffice
@pytest.mark.libreoffice
def test_the_workbook_recalculates_to_the_cent_and_the_microgram(document, tmp_path):
    book = recalculate(written(document, tmp_path), tmp_path)
    sheet = book["Statement"]
    for row, told in enumerate(document.lines, first_line_row(document)):
        line = told.line
        step = Decimal(1).scaleb(int(line.value.as_tuple().exponent))
        printed = Decimal(repr(sheet[f"C{row}"].value)).quantize(step, ROUND_HALF_UP)
        assert printed == line.value, line.key
    after = first_line_row(document) + len(document.lines) + 1
    for offset, payable in enumerate(document.payable):
        assert sheet[f"C{after + 2 * offset}"].value == pytest.approx(float(payable.grams))
        assert sheet[f"C{after + 2 * offset + 1}"].value == float(payable.ounces)
    changed = [Decimal(each["difference"]) for each in document.changes]
    assert [book["Changes"][f"D{row}"].value for row in range(3, 3 + len(changed))] == [
        pytest.approx(float(each)) for each in changed
    ]


@needs_libreoffice
@pytest.mark.libreoffice
def test_a_changed_input_carries_through_to_the_balance(document, tmp_path):
    path = written(document, tmp_path)
    book = load_workbook(path)
    rows = {each.line.key: row for row, each in enumerate(document.lines, first_line_row(document))}
    book["Statement"][f"C{rows['assay_fee_rate']}"].value = 35.55
    book.save(path)
    total = recalculate(path, tmp_path)["Statement"][f"C{rows['total']}"].value
    assert Decimal(repr(total)).quantize(Decimal("0.01")) == document.total - 10


def test_the_pdf_is_a4_and_says_what_the_statement_says(document):
    pdf = settlement_pdf(document)
    assert pdf.startswith(b"%PDF-")
    assert b"595.28 841.89" in pdf
    text = text_of(pdf)
    for said in (
        document.code,
        "Isolde Brackwater",
        "Tern Quay Refining",
        f"Balance: {document.total:,f} EUR",
        "page 1 of ",
        "Approved by manager",
        "What differs from",
        "law decide",
    ):
        assert said in text, said


def test_the_same_statement_prints_the_same_bytes(document):
    assert settlement_pdf(document) == settlement_pdf(document)


def test_any_customers_name_is_printed_with_an_embedded_font(document):
    """A pangram's worth of scripts, each a name someone may have (invented)."""
    for name in ("Dvořák “Łódź” – Şirketi", "Ελένη Παππά", "Щукин и Ёлкин", "Gümüş & Søn ‰"):
        pdf = settlement_pdf(replace(document, customer_name=name))
        assert name in text_of(pdf)
        assert b"/FontFile2" in pdf


def test_a_script_that_the_font_lacks_is_printed_by_the_users_own_font(
    document, settings, tmp_path
):
    font = TTFont(Path(paper_fonts.__file__).parent / "fonts" / "DejaVuSansCondensed.ttf")
    for table in font["cmap"].tables:
        if table.isUnicode():
            table.cmap[ord("錢")] = "A"
    font.save(tmp_path / "own.ttf")
    named = replace(document, customer_name="錢 Brackwater")
    assert "錢" not in text_of(settlement_pdf(named))
    settings.PAPER_FONTS = [str(tmp_path / "own.ttf")]
    assert "錢 Brackwater" in text_of(settlement_pdf(named))


def test_the_workbook_is_readable_from_memory(document):
    file = io.BytesIO()
    write_settlement_workbook(document, file)
    assert load_workbook(file).sheetnames == ["Statement", "Changes"]


def test_no_text_of_a_statement_runs(document, tmp_path):
    bad = "=HYPERLINK(1)"
    named = ("house", "customer_name", "terms_version", "prepared_by", "approved_by", "supersedes")
    lines = tuple(
        replace(
            told,
            in_figures=bad,
            line=replace(
                told.line,
                **dict.fromkeys(("section", "label", "unit", "rounding", "note"), bad),
                evidence=(Evidence("term", "", bad),),
            ),
        )
        for told in document.lines
    )
    changes = tuple({**change, "label": bad, "unit": bad} for change in document.changes)
    hostile = replace(document, **dict.fromkeys(named, bad), lines=lines, changes=changes)
    cells = [
        cell
        for sheet in load_workbook(written(hostile, tmp_path))
        for row in sheet.iter_rows()
        for cell in row
        if "HYPERLINK" in str(cell.value)
    ]
    assert len(cells) > 7 * len(lines)
    assert not [cell for cell in cells if cell.data_type == "f"]
    assert not [cell for cell in cells if str(cell.value).startswith("=")]
