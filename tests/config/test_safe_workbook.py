"""A workbook from outside is opened when it holds cells, and refused when it could do more."""

from __future__ import annotations

import io
import struct
import zipfile
from collections.abc import Callable, Iterable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from openpyxl import Workbook

from config.refusals import InvalidError
from config.safe_workbook import DEFAULT_LIMITS, WorkbookLimits, open_workbook_safely, sheet_rows
from config.sheet_text import as_written, as_written_in_csv, neutralised, neutralised_in_csv

WORKBOOK_RELS = "xl/_rels/workbook.xml.rels"
SHEET = "xl/worksheets/sheet1.xml"
MIB = 1024 * 1024


def plain() -> bytes:
    book = Workbook()
    sheet: Any = book.active
    sheet.append(["lot", "gross"])
    sheet.append(["FD26-0001-X", 12.5])
    sheet["A3"], sheet["B3"] = "=1+1", "'=1+1"
    sheet["C2"].hyperlink = "https://example.org/lot"
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()


PLAIN = plain()


def with_parts(parts: dict[str, bytes | None]) -> bytes:
    """The plain workbook with parts added, replaced, or (None) left out."""
    file = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(PLAIN)) as source,
        zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive,
    ):
        for name in source.namelist():
            if name not in parts:
                archive.writestr(name, source.read(name))
        for name, content in parts.items():
            if content is not None:
                archive.writestr(name, content)
    return file.getvalue()


def part(name: str) -> bytes:
    with zipfile.ZipFile(io.BytesIO(PLAIN)) as archive:
        return archive.read(name)


def related(to: str, kind: str) -> bytes:
    """The workbook's relationships with one more, to something outside."""
    more = (
        f'<Relationship Id="rIdX" TargetMode="External" Target="{to}" Type="http://schemas.'
        f'openxmlformats.org/officeDocument/2006/relationships/{kind}"/></Relationships>'
    )
    return part(WORKBOOK_RELS).replace(b"</Relationships>", more.encode())


def declared(declaration: str, encoding: str = "utf-8") -> bytes:
    head, _, rest = part(SHEET).decode().partition("<worksheet")
    return f"{head}{declaration}<worksheet{rest}".encode(encoding)


def patched(offset_in_entry: int, value: bytes, name: str = SHEET) -> bytes:
    """The plain workbook with bytes changed in the directory's entry of one part."""
    content = bytearray(PLAIN)
    at = content.rindex(b"PK\x01\x02", 0, content.rindex(name.encode()))
    content[at + offset_in_entry : at + offset_in_entry + len(value)] = value
    return bytes(content)


def test_plain_workbook_opens_and_its_rows_are_read() -> None:
    for content in (PLAIN, io.BytesIO(PLAIN)):
        book = open_workbook_safely(content)
        rows = list(sheet_rows(book.sheets[0], rows_max=3, columns_max=2))
        book.close()
        values = {number: [cell and cell.value for cell in row[:2]] for number, row in rows}
        assert values == {1: ["lot", "gross"], 2: ["FD26-0001-X", 12.5], 3: ["=1+1", "'=1+1"]}


def test_rows_beyond_the_limit_are_refused_even_when_the_sheet_is_almost_empty() -> None:
    far = part(SHEET).replace(b'<row r="3"', b'<row r="1048576"').replace(b'"A3"', b'"A1048576"')
    far = far.replace(b'"B3"', b'"B1048576"')
    book = open_workbook_safely(with_parts({SHEET: far}))
    with pytest.raises(InvalidError) as refused:
        list(sheet_rows(book.sheets[0], rows_max=100, columns_max=2))
    assert refused.value.code == "too_many_rows"


BILLION = '<!DOCTYPE a [<!ENTITY b "ha"><!ENTITY c "&b;&b;&b;&b;"><!ENTITY d "&c;&c;&c;&c;">]>'
OUTSIDE = '<!DOCTYPE a [<!ENTITY b SYSTEM "file:///etc/hostname">]>'

HOSTILE: list[tuple[str, Callable[[], bytes], str]] = [
    ("nothing", lambda: b"", "not_a_workbook"),
    ("text", lambda: b"lot,gross\n", "not_a_workbook"),
    ("cut short", lambda: PLAIN[:-200], "not_a_workbook"),
    ("no contents list", lambda: with_parts({"[Content_Types].xml": None}), "not_a_workbook"),
    ("no workbook in it", lambda: with_parts({"xl/workbook.xml": None}), "not_a_workbook"),
    ("old format or password", lambda: b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" * 9, "workbook_locked"),
    ("encrypted part", lambda: patched(8, struct.pack("<H", 1)), "workbook_locked"),
    ("unusual packing", lambda: patched(10, struct.pack("<H", 14)), "workbook_unsafe"),
    ("macros", lambda: with_parts({"xl/vbaProject.bin": b"x"}), "workbook_has_macros"),
    (
        "old macros",
        lambda: with_parts({"xl/macrosheets/sheet1.xml": b"<x/>"}),
        "workbook_has_macros",
    ),
    ("controls", lambda: with_parts({"xl/activeX/activeX1.xml": b"<x/>"}), "workbook_has_macros"),
    (
        "macro workbook without macros",
        lambda: with_parts(
            {
                "[Content_Types].xml": part("[Content_Types].xml").replace(
                    b"application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml",
                    b"application/vnd.ms-excel.sheet.macroEnabled.main+xml",
                )
            }
        ),
        "workbook_has_macros",
    ),
    (
        "link to a workbook",
        lambda: with_parts({"xl/externalLinks/externalLink1.xml": b"<x/>"}),
        "workbook_has_links",
    ),
    ("data connection", lambda: with_parts({"xl/connections.xml": b"<x/>"}), "workbook_has_links"),
    ("object within", lambda: with_parts({"xl/embeddings/a.docx": b"x"}), "workbook_has_links"),
    (
        "outside relationship",
        lambda: with_parts({WORKBOOK_RELS: related("file:///c:/x.xlsx", "externalLinkPath")}),
        "workbook_has_links",
    ),
    ("archive within", lambda: with_parts({"xl/media/a.png": PLAIN}), "workbook_unsafe"),
    ("entities", lambda: with_parts({SHEET: declared(BILLION)}), "workbook_unsafe"),
    ("outside entity", lambda: with_parts({SHEET: declared(OUTSIDE)}), "workbook_unsafe"),
    ("in UTF-16", lambda: with_parts({SHEET: declared(BILLION, "utf-16")}), "workbook_unsafe"),
    ("path upwards", lambda: with_parts({"xl/../../a.xml": b"<x/>"}), "workbook_unsafe"),
    ("absolute path", lambda: with_parts({"/etc/a.xml": b"<x/>"}), "workbook_unsafe"),
    ("drive", lambda: with_parts({"C:a.xml": b"<x/>"}), "workbook_unsafe"),
    ("backslash", lambda: with_parts({"xl\\a.xml": b"<x/>"}), "workbook_unsafe"),
    ("same name twice", lambda: with_parts({"XL/Workbook.xml": b"<x/>"}), "workbook_unsafe"),
    ("overlapping parts", lambda: patched(42, struct.pack("<I", 0)), "workbook_unsafe"),
    (
        "one part swells",
        lambda: with_parts({"a.xml": b" " * 3 * MIB}),
        "workbook_packed_too_tightly",
    ),
    (
        "many parts",
        lambda: with_parts({f"a{n}.xml": b"" for n in range(DEFAULT_LIMITS.parts_max)}),
        "workbook_packed_too_tightly",
    ),
    ("all of it swells", lambda: with_parts({"a.xml": b" " * 51 * MIB}), "too_large"),
    ("larger than allowed", lambda: b"PK\x03\x04" + b"x" * 10 * MIB, "too_large"),
    ("a size that lies", lambda: patched(24, struct.pack("<I", 10)), "not_a_workbook"),
]


@pytest.mark.parametrize(
    ("content", "code"),
    [(content, code) for _, content, code in HOSTILE],
    ids=[what for what, _, _ in HOSTILE],
)
def test_what_could_do_more_than_hold_cells_is_refused(
    content: Callable[[], bytes], code: str
) -> None:
    with pytest.raises(InvalidError) as refused:
        open_workbook_safely(content(), field="sheet")
    assert (refused.value.code, refused.value.field) == (code, "sheet")


def test_a_part_that_was_not_looked_through_is_not_parsed() -> None:
    parts = {
        SHEET: None,
        "xl/worksheets/sheet1.txt": declared(BILLION),
        WORKBOOK_RELS: part(WORKBOOK_RELS).replace(b"sheet1.xml", b"sheet1.txt"),
    }
    book = open_workbook_safely(with_parts(parts))
    with pytest.raises(InvalidError) as refused:
        list(sheet_rows(book.sheets[0], rows_max=9, columns_max=9))
    assert refused.value.code == "not_a_workbook"


def test_limits_can_be_narrowed_and_are_kept_while_unpacking() -> None:
    limits = WorkbookLimits(unpacked_bytes_max=1000)
    with pytest.raises(InvalidError) as refused:
        open_workbook_safely(PLAIN, limits=limits)
    assert refused.value.code == "too_large"


def damaged(content: bytes, changes: Iterable[tuple[int, int]]) -> bytes:
    changed = bytearray(content)
    for place, value in changes:
        changed[place % len(changed)] = value
    return bytes(changed)


@given(st.lists(st.tuples(st.integers(0, 10**6), st.integers(0, 255)), max_size=12))
def test_damaged_bytes_are_read_or_refused_and_nothing_else(
    changes: list[tuple[int, int]],
) -> None:
    try:
        book = open_workbook_safely(damaged(PLAIN, changes))
        list(sheet_rows(book.sheets[0], rows_max=50, columns_max=5))
    except InvalidError:
        pass


HOSTILE_TEXT = st.text(alphabet="='+-@;|\t\r\n ax1,\"＝", max_size=8)


@given(HOSTILE_TEXT)
def test_neutralised_text_never_begins_a_formula_and_comes_back(text: str) -> None:
    shown = neutralised(text)
    assert not shown.startswith(("=", "+", "-", "@", "＝", "\t", "\r", "\n"))
    assert as_written(shown) == text
    in_csv = neutralised_in_csv(text)
    for separator in ";|\t\r\n":
        for cell in in_csv.split(separator)[1:]:
            assert not cell.lstrip(" ").startswith(("=", "+", "-", "@", "＝"))
    assert as_written_in_csv(in_csv) == text
