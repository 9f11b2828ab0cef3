"""A stranger's file is a sheet of cells, or is refused; never anything else."""

from __future__ import annotations

import datetime as dt
import io
import zipfile
from contextlib import suppress

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from openpyxl import Workbook

from config.refusals import InvalidError
from lots.sheets import files
from lots.sheets.cells import FAULT, FORMULA, MOMENT, NUMBER, Cell, from_json, to_json
from lots.sheets.files import read_sheet


def workbook(*rows, epoch_1904=False):
    book = Workbook()
    if epoch_1904:
        book.epoch = dt.datetime(1904, 1, 1)
    for row in rows:
        book.active.append(row)
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()


def cells(content):
    return [[(cell.kind, cell.text) for cell in row.cells] for row in read_sheet(content).rows]


def texts(content):
    return [[cell.text for cell in row.cells] for row in read_sheet(content).rows]


def code_of(content):
    with pytest.raises(InvalidError) as caught:
        read_sheet(content)
    assert caught.value.field == "file"
    assert caught.value.remedy
    return caught.value.code


def test_a_workbook_s_cells_keep_what_they_are():
    moment = dt.datetime(2026, 5, 4, 9, 30)
    content = workbook(
        ["Lot", None, "When"],
        [],
        [0.1 + 0.2, 1000000, moment, True, "=A1+1", "#REF!", "'=x", " y "],
    )
    sheet = read_sheet(content)
    assert [row.number for row in sheet.rows] == [1, 3]
    assert sheet.rows[1].cells == (
        Cell(NUMBER, "0.3"),
        Cell(NUMBER, "1000000"),
        Cell(MOMENT, "2026-05-04T09:30:00"),
        Cell(text="yes"),
        Cell(FORMULA, "=A1+1"),
        Cell(FAULT, "#REF!"),
        Cell(FORMULA, "=x"),
        Cell(text="y"),
    )
    assert from_json(to_json(sheet)) == sheet
    assert read_sheet(workbook([1], epoch_1904=True)).from_1904


def test_a_unit_that_only_the_format_shows_is_read_with_its_number():
    book = Workbook()
    for at, (value, shown_as) in enumerate(
        [
            (0.925, "0.0%"),
            (0.07, '0.00" %"'),
            (64.3, '0.0" ozt"'),
            (1.5, '#,##0.0 "kg";[Red]-#,##0.0 "kg"'),
            (12, "#,##0.000"),
        ],
        1,
    ):
        book.active.cell(1, at, value).number_format = shown_as
    file = io.BytesIO()
    book.save(file)
    assert texts(file.getvalue()) == [["92.500 %", "0.07 %", "64.3 ozt", "1.5 kg", "12"]]


@pytest.mark.parametrize("separator", ["\t", ";", ","])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_text_is_read_whatever_divides_it_and_however_it_is_marked(separator, encoding):
    lines = [["Lot", "Größe", "Note"], ["FD26-0001-2", "1.5", "a"], ["FD26-0002-X", "2", "b"]]
    text = "\r\n".join(separator.join(line) for line in lines)
    assert texts(text.encode(encoding)) == lines


def test_what_divides_the_cells_is_told_by_the_even_columns_or_said():
    assert texts(b"Invented, all of it\na;1,5;g\nb;2,5;g\n") == [
        ["Invented, all of it"],
        ["a", "1,5", "g"],
        ["b", "2,5", "g"],
    ]
    assert texts(b"sep=|\na|b,c\n") == [["a", "b,c"]]
    assert texts(b'a;"two\nlines; quoted"\nb;c') == [["a", "two\nlines; quoted"], ["b", "c"]]
    assert texts(b"one\ntwo") == [["one"], ["two"]]


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"", "empty_file"),
        (b" \n;;\n", "empty_file"),
        (workbook(), "empty_file"),
        (b"Gr\xf6\xdfe;1", "not_a_sheet"),
        (b"a\0b", "not_a_sheet"),
        (b"\xff\xfea", "not_a_sheet"),
        (b"%PDF-1.7", "not_a_sheet"),
        (b'a,"open', "not_a_sheet"),
        (b"PK\x03\x04 not a zip", "not_a_workbook"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "not_a_sheet"),
        (b"a," * 61 + b"b", "too_many_columns"),
        (workbook(["x"] * 61), "too_many_columns"),
        (b"x" * (10 * 1024 * 1024 + 1), "too_large"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_what_is_no_sheet_is_refused(content, code):
    assert code_of(content) == code


def packed(name, content):
    """A workbook with one of its parts replaced."""
    file = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(DAMAGED)) as old,
        zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for part in old.namelist():
            new.writestr(part, content if part == name else old.read(part))
    return file.getvalue()


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"\0" * (51 * 1024 * 1024), "too_large"),
        (b" " * (20 * 1024 * 1024), "workbook_packed_too_tightly"),
        (b'<!DOCTYPE a [<!ENTITY b "c">]><a>&b;</a>', "workbook_unsafe"),
        ('<!DOCTYPE a [<!ENTITY b "c">]><a>&b;</a>'.encode("utf-16"), "workbook_unsafe"),
    ],
    ids=["unpacks without end", "packed too tightly", "entities", "entities in UTF-16"],
)
def test_bombs_are_refused_before_they_are_parsed(content, code):
    assert code_of(packed("xl/worksheets/sheet1.xml", content)) == code


def test_rows_are_counted_and_blank_ones_are_not(monkeypatch):
    monkeypatch.setattr(files, "ROWS_MAX", 10)
    monkeypatch.setattr(files, "_SNIFFED_LINES", 0)
    assert len(read_sheet(b"x\n\n\n" * 10).rows) == 10
    assert code_of(b"x\n" * 11) == "too_many_rows"
    monkeypatch.setattr(files, "CELLS_MAX", 20)
    assert code_of(b"x\ty\tz\n" * 7) == "too_many_cells"


@settings(suppress_health_check=[HealthCheck.too_slow], max_examples=150)
@given(content=st.binary(max_size=400) | st.text(max_size=200).map(str.encode))
def test_any_bytes_are_a_sheet_or_a_refusal(content):
    with suppress(InvalidError):
        sheet = read_sheet(content)
        assert sheet.rows
        assert from_json(to_json(sheet)) == sheet


@pytest.mark.filterwarnings("ignore::UserWarning")
@settings(max_examples=60, deadline=None)
@given(at=st.integers(min_value=0), byte=st.integers(0, 255))
def test_a_damaged_workbook_is_a_sheet_or_a_refusal(at, byte):
    content = bytearray(DAMAGED)
    content[at % len(content)] = byte
    with suppress(InvalidError):
        read_sheet(bytes(content))


DAMAGED = workbook(["Lot", "Gross"], ["FD26-0001-2", 12.5])
