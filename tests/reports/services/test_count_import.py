"""A count form goes out blind, comes back filled in, and is recorded whole or not at all."""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest
from django.core.files.base import ContentFile
from openpyxl import Workbook, load_workbook

from config.refusals import RowsRefusedError
from lots.models import VolumeReading, Weighing
from lots.services.opening import Amount, Opening, open_lot
from reports.exports.count_form import CAUTION, count_form_table
from reports.exports.tables import write_csv
from reports.exports.workbook import write_workbook
from reports.models import CountedMetal, CountLine, CountSheet
from reports.queries.count_sheets import blind_lines
from reports.services import count_upload
from reports.services.count_import import import_counts
from reports.services.counts import open_count_sheet
from reports.services.month_end import begin_month_end
from tests.refused import every_row
from tests.reports.conftest import APRIL, G

Make = Callable[..., Any]


@pytest.fixture
def sheet(in_june: SimpleNamespace, at: Make) -> CountSheet:
    month_end = begin_month_end(first_day=APRIL, act=at(6, 1))
    place = in_june.works.places["fine-safe"]
    return open_count_sheet(month_end=month_end, place=place, act=at(6, 1))


def form_of(sheet: CountSheet) -> bytes:
    file = io.BytesIO()
    write_workbook([count_form_table(sheet, blind_lines(sheet))], file)
    return file.getvalue()


def filled(sheet: CountSheet, rows: dict[str, dict[str, Any]]) -> bytes:
    """The form as sent out, with cells written into the rows of the lots named."""
    book = load_workbook(io.BytesIO(form_of(sheet)))
    page = book.worksheets[0]
    header = {cell.value: cell.column for cell in page[6]}
    for row in page.iter_rows(min_row=7):
        for name, value in rows.get(str(row[1].value), {}).items():
            page.cell(row[0].row or 0, header[name] or 0, value)
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()


def problems(sheet: CountSheet, content: bytes, act: Any) -> list[tuple[Any, Any]]:
    """Code and field of every row's problem; checks that nothing was written."""
    before = every_row()
    with pytest.raises(RowsRefusedError) as caught:
        import_counts(sheet=sheet, file=ContentFile(content), act=act)
    assert every_row() == before
    assert caught.value.as_problem()["code"] == "rows_refused"
    return [(each["code"], each["field"]) for each in caught.value.as_problem()["problems"]]


def csv_of(*rows: dict[str, str]) -> bytes:
    file = io.StringIO()
    writer = csv.DictWriter(file, sorted({name for row in rows for name in row}))
    writer.writeheader()
    writer.writerows(rows)
    return file.getvalue().encode()


def test_form_lists_the_lots_and_no_book_figure(
    sheet: CountSheet, in_june: SimpleNamespace
) -> None:
    page = load_workbook(io.BytesIO(form_of(sheet))).worksheets[0]
    texts: list[Any] = [cell.value for row in page.iter_rows() for cell in row if cell.value]
    assert in_june.bar.code in texts
    assert CAUTION in texts
    assert not [value for value in texts if not isinstance(value, str)]
    assert not [value for value in texts if "1994.99" in value or "715.25" in value]


def test_filled_in_form_is_recorded(sheet: CountSheet, in_june: SimpleNamespace, at: Make) -> None:
    content = filled(
        sheet,
        {
            in_june.bar.code: {"Balance": "bench", "Gross": 797.2, "How": "weighed"},
            in_june.crystal.code: {
                "Balance": "bench",
                "Gross": "64.4",
                "Tare": "0.3",
                "Unit": "ozt",
                "Note": "in two jars",
            },
        },
    )
    import_counts(sheet=sheet, file=ContentFile(content), act=at(6, 1))
    sheet.refresh_from_db()
    assert sheet.state == "counted"
    bar = CountLine.objects.get(lot=in_june.bar)
    assert bar.counted_mass_ug == 797_200_000
    crystal = CountLine.objects.get(lot=in_june.crystal)
    assert crystal.note == "in two jars"
    assert crystal.measurement is not None
    weighing = Weighing.objects.get(pk=crystal.measurement.pk)
    assert weighing.net_ug == 2_003_063_906 - 9_331_043
    assert weighing.entered_as == "64.4 - 0.3 ozt"


def test_csv_form_comes_back_too_and_blank_rows_wait(
    sheet: CountSheet, in_june: SimpleNamespace, at: Make
) -> None:
    out = io.StringIO()
    write_csv(count_form_table(sheet, blind_lines(sheet)), out)
    rows = list(csv.DictReader(io.StringIO(out.getvalue(), newline="")))
    rows[0]["how"] = "sighted"
    import_counts(sheet=sheet, file=ContentFile(b"\xef\xbb\xbf" + csv_of(*rows)), act=at(6, 1))
    assert CountLine.objects.get(lot=in_june.bar).method == "sighted"
    assert not CountLine.objects.get(lot=in_june.crystal).is_counted
    sheet.refresh_from_db()
    assert sheet.state == "open"


def test_volumes_are_recorded_with_their_uncertainty(in_june: SimpleNamespace, at: Make) -> None:
    works = in_june.works
    carboy = open_lot(
        opening=Opening(
            form="electrolyte",
            owner=works.house,
            place=works.places["carboys"],
            metals={"Ag": Amount(600 * G)},
            volume_ul=12_000_000,
        ),
        act=at(4, 15),
    )
    month_end = begin_month_end(first_day=APRIL, act=at(6, 1))
    carboys = open_count_sheet(month_end=month_end, place=works.places["carboys"], act=at(6, 1))
    row = {"sheet": carboys.code, "lot": carboy.code, "volume_ml": "11900.5"}
    assert problems(carboys, csv_of(row), at(6, 1)) == [
        ("uncertainty_needed", "rows.2.volume_spread_ml")
    ]
    import_counts(
        sheet=carboys, file=ContentFile(csv_of({**row, "volume_spread_ml": "25"})), act=at(6, 1)
    )
    reading = VolumeReading.objects.get()
    assert (reading.volume_ul, reading.standard_uncertainty_ul) == (11_900_500, 25_000)
    metal = CountedMetal.objects.get()
    assert (metal.counted_ug, metal.standard_uncertainty_ug) == (595_025_000, 1_250_000)


def test_every_bad_row_is_named_and_the_good_ones_wait(
    sheet: CountSheet, in_june: SimpleNamespace, at: Make
) -> None:
    bar = {"sheet": sheet.code, "lot": in_june.bar.code, "balance": "bench", "gross": "797.3"}
    crystal = {**bar, "lot": in_june.crystal.code, "gross": "1994"}
    bad = [
        ({**crystal, "gross": "-5"}, "not_positive", "gross"),
        ({**crystal, "gross": "NaN"}, "not_a_number", "gross"),
        ({**crystal, "gross": "1e308"}, "not_a_number", "gross"),
        ({**crystal, "gross": "=1+1"}, "not_a_number", "gross"),
        ({**crystal, "gross": "1,5"}, "not_a_number", "gross"),
        ({**crystal, "gross": "0.00000000000000000001"}, "too_many_digits", "gross"),
        ({**crystal, "tare": "1995"}, "tare_above_gross", "tare"),
        ({**crystal, "gross": "6300"}, "above_capacity", "gross"),
        ({**crystal, "unit": "oz"}, "ambiguous_unit", "unit"),
        ({**crystal, "unit": "stone"}, "unknown_unit", "unit"),
        ({**crystal, "balance": "kitchen"}, "unknown_balance", "balance"),
        ({**crystal, "how": "guessed"}, "unknown_choice", "how"),
        ({**crystal, "how": "sighted"}, "one_count_needed", "how"),
        ({**crystal, "volume_ml": "5"}, "one_count_needed", "how"),
        ({**crystal, "sheet": "CN26-9999-9"}, "other_sheet", "sheet"),
        ({**crystal, "lot": "rubbish"}, "bad_code", "lot"),
        ({**crystal, "lot": in_june.apart.code}, "lot_not_on_sheet", "lot"),
    ]
    for row, code, column in bad:
        found = problems(sheet, csv_of(bar, row), at(6, 1))
        assert found == [(code, f"rows.3.{column}")]
    twice = problems(sheet, csv_of(bar, bar, {**crystal, "gross": "0"}), at(6, 1))
    assert twice == [("counted_twice", "rows.3.lot"), ("not_positive", "rows.4.gross")]
    import_counts(sheet=sheet, file=ContentFile(csv_of(bar)), act=at(6, 1))
    assert problems(sheet, csv_of(bar), at(6, 1)) == [("already_counted", "rows.2.lot")]


def zip_of(name: str, content: bytes) -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(name, content)
    return file.getvalue()


def other_workbook() -> bytes:
    book = Workbook()
    book.active.append(["Shopping", "list"])  # type: ignore[union-attr]
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"", "not_a_count_form"),
        (b"\xff\xd8\xff\xe0 a photograph", "not_a_count_form"),
        (b"PK\x03\x04 not really a zip", "not_a_workbook"),
        (zip_of("readme.txt", b"hello"), "not_a_workbook"),
        (zip_of("xl/workbook.xml", b"<a><b></a>"), "not_a_workbook"),
        (other_workbook(), "not_a_count_form"),
        (b"apples,pears\n1,2\n", "not_a_count_form"),
        (b"sheet,lot\n\0,\0\n", "not_a_count_form"),
        (b'sheet,lot\n"open', "not_a_count_form"),
        (b"sheet,lot\n,\n", "empty"),
        (zip_of("x", b"\0" * (51 * 1024 * 1024)), "too_large"),
        (b"sheet,lot\n" + b"x,y\n" * 5001, "too_many_rows"),
        (b"x" * (10 * 1024 * 1024 + 1), "too_large"),
    ],
    ids=[
        "nothing",
        "photograph",
        "no zip",
        "zip of text",
        "broken markup",
        "another workbook",
        "another table",
        "null bytes",
        "open quote",
        "no row filled in",
        "zip that swells",
        "too many rows",
        "too large",
    ],
)
def test_file_refused_when_it_is_no_form(
    sheet: CountSheet, at: Make, refused: Make, content: bytes, code: str
) -> None:
    with refused(code, "file"):
        import_counts(sheet=sheet, file=ContentFile(content), act=at(6, 1))


def test_reading_stops_at_the_rows_allowed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(count_upload, "ROWS_MAX", 3)
    assert len(count_upload.read_rows(b"sheet,lot\na,b\nc,d\n")) == 2
