"""One declaration of a table gives JSON, CSV and a sheet that say the same."""

from __future__ import annotations

import csv
import datetime as dt
import io
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal, localcontext
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from openpyxl import load_workbook

from config.refusals import RefusalError
from lots.units import MASS_UG_MAX, UG_PER_OZT, ug_to_ozt
from reports.exports import workbook
from reports.exports.tables import Column, Kind, Linked, Ratio, Table, as_json, write_csv
from reports.exports.workbook import write_workbook

COLUMNS = (
    Column("metal", "Metal"),
    Column("what", "What"),
    Column("mass", "Mass", Kind.MASS, is_totalled=True),
    Column("through", "Throughput", Kind.MASS),
    Column("share", "Share", Kind.PERCENT, ratio=Ratio("mass", "through")),
    Column("value", "Value", Kind.MONEY, is_totalled=True),
    Column("volume", "Volume", Kind.VOLUME),
    Column("day", "Day", Kind.DATE),
    Column("at", "At", Kind.MOMENT),
)


def row(metal: str = "Ag", what: str = "bar", mass: Any = 31_103_477, **more: Any) -> Any:
    return {
        "metal": metal,
        "what": what,
        "mass": mass,
        "through": 62_206_954,
        "value": Decimal("12.30"),
        "volume": 1_500_000,
        "day": dt.date(2026, 4, 30),
        "at": dt.datetime(2026, 4, 30, 21, 30, tzinfo=dt.UTC),
        **more,
    }


def table(*rows: Any, **more: Any) -> Table:
    return Table("Sheet", "A table", COLUMNS, list(rows), ["note"], "metal", **more)


def written(*tables: Table) -> Any:
    file = io.BytesIO()
    write_workbook(tables, file)
    return load_workbook(file)


def test_json_gives_micrograms_grams_and_ounces() -> None:
    data = as_json(table(row(), row(mass=1)))
    assert data["rows"][0] == {
        "metal": "Ag",
        "what": "bar",
        "mass_ug": 31_103_477,
        "mass_g": "31.103477",
        "mass_ozt": "1.000000",
        "through_ug": 62_206_954,
        "through_g": "62.206954",
        "through_ozt": "2.000000",
        "share": "50.0000",
        "value": "12.30",
        "volume_ul": 1_500_000,
        "volume_l": "1.500000",
        "day": "2026-04-30",
        "at": "2026-04-30T21:30:00+00:00",
    }
    assert data["totals"] == [
        {
            "metal": "Ag",
            "mass_ug": 31_103_478,
            "mass_g": "31.103478",
            "mass_ozt": "1.000000",
            "value": "24.60",
        }
    ]


def test_totals_are_per_metal_and_live_formulas() -> None:
    sheet = written(table(row(), row(metal="Au", mass=5), row(mass=7)))["Sheet"]
    header = [cell.value for cell in sheet[4]]
    assert header[:4] == ["Metal", "What", "Mass, g", "Mass, ozt"]
    assert all(cell.font.bold and cell.alignment.wrap_text for cell in sheet[4])
    assert sheet["C5"].value == 31.103477
    assert sheet["D5"].value == "=ROUND(C5/31.1034768,6)"
    assert sheet["G5"].value == "=ROUND(100*C5/E5,4)"
    assert [sheet["A8"].value, sheet["B8"].value] == ["Ag", "Total"]
    assert sheet["C8"].value == "=ROUND(SUMIF($A$5:$A$7,A8,C$5:C$7),6)"
    assert sheet["D8"].value == "=ROUND(C8/31.1034768,6)"
    assert sheet["H9"].value == "=ROUND(SUMIF($A$5:$A$7,A9,H$5:H$7),2)"
    assert sheet.freeze_panes == "A5"
    assert sheet.print_title_rows == "$4:$4"
    assert sheet["C5"].number_format == "#,##0.000000"


def test_linked_mass_is_a_formula_over_rows_before() -> None:
    rows = [
        row(mass=10, _key="in"),
        row(mass=3, _key="out"),
        row(mass=Linked(7, [(1, "in"), (-1, "out")])),
    ]
    assert written(table(*rows))["Sheet"]["C7"].value == "=ROUND(+C5-C6,6)"
    assert as_json(table(*rows))["rows"][2]["mass_ug"] == 7


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", "\n"])
def test_text_never_runs_as_a_formula(start: str) -> None:
    nasty = f"{start}HYPERLINK(1)"
    plain = written(Table(nasty[:1] + "x", nasty, COLUMNS, [row(what=nasty)], [nasty]))
    sheet = plain.worksheets[0]
    for cell in (sheet["A1"], sheet["A2"], sheet["B5"]):
        assert cell.data_type == "s"
        assert cell.value.startswith("'")
    text = io.StringIO()
    write_csv(table(row(what=nasty)), text)
    assert list(csv.reader(io.StringIO(text.getvalue(), newline="")))[1][1].startswith("'")


def test_negative_numbers_in_csv_stay_numbers() -> None:
    text = io.StringIO()
    write_csv(table(row(mass=-1_500_000)), text)
    (line,) = csv.DictReader(io.StringIO(text.getvalue(), newline=""))
    assert (line["mass_ug"], line["mass_g"]) == ("-1500000", "-1.500000")


def test_text_that_xml_cannot_carry_is_replaced_and_cut() -> None:
    sheet = written(table(row(what="a\x00b\x0b\ud800" + "x" * 40_000)))["Sheet"]
    assert sheet["B5"].value.startswith("a\ufffdb\ufffd\ufffd")
    assert len(sheet["B5"].value) == 32_767


def test_empty_table_has_headers_and_no_totals() -> None:
    sheet = written(table())["Sheet"]
    assert sheet.max_row == 4
    assert as_json(table())["totals"] == []


def test_missing_figures_stay_empty() -> None:
    data = as_json(table(row(mass=None, through=0, at=None)))
    assert data["rows"][0]["mass_g"] is None
    assert data["rows"][0]["share"] is None
    assert data["totals"][0]["mass_ug"] is None
    sheet = written(table(row(mass=None, through=0, at=None)))["Sheet"]
    assert (sheet["C5"].value, sheet["D5"].value, sheet["G5"].value) == (None, None, None)


def test_sheet_refused_above_the_formats_rows(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workbook, "ROWS_MAX", 6)
    file = io.BytesIO()
    with pytest.raises(RefusalError) as caught:
        write_workbook([table(row(), row(), row())], file)
    assert (caught.value.code, caught.value.field) == ("too_many_rows", "period")
    assert file.getvalue() == b""


@given(st.integers(-MASS_UG_MAX, MASS_UG_MAX))
def test_ounces_to_six_decimals_never_meet_a_tie(mass_ug: int) -> None:
    """So half-even in the JSON and a sheet's half-up agree.

    A tie would need 20 000 000 ug = 311 034 768 (2k + 1); the left side is divisible by 2^8 and
    the right by no more than 2^4, so none exists.
    """
    with localcontext() as context:
        context.prec = 60
        exact = Decimal(mass_ug) / UG_PER_OZT
        step = Decimal("0.000001")
        assert exact.quantize(step, ROUND_HALF_UP) == exact.quantize(step, ROUND_HALF_EVEN)
        assert exact.quantize(step, ROUND_HALF_UP) == ug_to_ozt(mass_ug)


@given(st.integers(-MASS_UG_MAX, MASS_UG_MAX))
def test_a_gram_cell_gives_back_its_micrograms(mass_ug: int) -> None:
    assert round(mass_ug / 1_000_000 * 1_000_000) == mass_ug
    assert Decimal(repr(mass_ug / 1_000_000)) * 1_000_000 == mass_ug


@dataclass(frozen=True)
class Held:
    """A record as a query gives it."""

    metal: str
    mass_ug: int | None
    places: tuple[str, ...]


def test_a_record_says_by_its_columns_what_a_mapping_would() -> None:
    columns = (
        Column("metal", "Metal"),
        Column("mass", "Mass", Kind.MASS, is_totalled=True),
        Column("where", "Where", of=lambda held: ", ".join(held.places)),
        Column("how_many", "Places", Kind.WHOLE, of="places.__len__"),
    )
    records = [Held("Ag", 1_000_000, ("north", "south")), Held("Au", None, ())]
    mappings = [
        {"metal": "Ag", "mass": 1_000_000, "where": "north, south", "how_many": 2},
        {"metal": "Au", "mass": None, "where": "", "how_many": 0},
    ]
    told = [
        as_json(Table("T", "T", columns, rows, total_by="metal")) for rows in (records, mappings)
    ]
    assert told[0] == told[1]
    assert told[0]["rows"][0]["mass_g"] == "1.000000"
