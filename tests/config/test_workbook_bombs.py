"""A few kilobytes of workbook never cost more than a few kilobytes should."""

from __future__ import annotations

import io
import time
import tracemalloc
import zipfile
from collections.abc import Callable
from typing import Any

import pytest
from openpyxl import Workbook

from config.refusals import InvalidError
from config.safe_workbook import WorkbookLimits, open_workbook_safely
from lots.sheets.files import read_sheet
from reports.services.count_upload import read_rows

PATHS = {
    "sheet": "xl/worksheets/sheet1.xml",
    "strings": "xl/sharedStrings.xml",
    "styles": "xl/styles.xml",
    "workbook": "xl/workbook.xml",
}
MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
PACKED_MAX = 8 * 1024
CPU_S_MAX = 1.5
MEMORY_MAX = 64 * 1024 * 1024


def plain() -> bytes:
    book = Workbook()
    book.active.append(["sheet", "lot", "note"])  # type: ignore[union-attr]
    book.active.append(["CN26-0001-X", 12.5, "dry"])  # type: ignore[union-attr]
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()


PLAIN = plain()


def part(name: str) -> str:
    with zipfile.ZipFile(io.BytesIO(PLAIN)) as archive:
        return archive.read(name).decode()


def with_parts(**replaced: str) -> bytes:
    """The plain workbook with some of its parts replaced, or with shared strings."""
    named = {PATHS[name]: content for name, content in replaced.items()}
    if "strings" in replaced:
        kind = "application/vnd.openxmlformats-officedocument.spreadsheetml.sharedStrings+xml"
        more = f'<Override PartName="/{PATHS["strings"]}" ContentType="{kind}"/></Types>'
        named["[Content_Types].xml"] = part("[Content_Types].xml").replace("</Types>", more)
    file = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(PLAIN)) as old,
        zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as new,
    ):
        for name in {*old.namelist(), *named}:
            new.writestr(name, named.get(name) or old.read(name))
    return file.getvalue()


def sheet_of(rows: str, before: str = "", after: str = "") -> str:
    head = '<row r="1"><c r="A1" t="inlineStr"><is><t>sheet</t></is></c>'
    head += '<c r="B1" t="inlineStr"><is><t>lot</t></is></c></row>'
    data = f"<sheetData>{head}{rows}</sheetData>"
    return f'<worksheet xmlns="{MAIN}">{before}{data}{after}</worksheet>'


def cell(place: str, text: str = "x") -> str:
    return f'<c r="{place}" t="inlineStr"><is><t>{text}</t></is></c>'


FAR = f'<row r="1048576">{cell("A1048576")}{cell("B1048576")}</row>'
SIZE = '<dimension ref="A1:XFD1048576"/>'


def strings_of(*texts: str) -> str:
    return f'<sst xmlns="{MAIN}">' + "".join(f"<si><t>{each}</t></si>" for each in texts) + "</sst>"


def many_sheets() -> str:
    book = part(PATHS["workbook"])
    (sheet,) = [each for each in book.split("<") if each.startswith("sheet ")]
    more = '<sheet name="s" sheetId="2" r:id="rId1" />' * 2000
    spaced = 'xmlns:r="http://schemas.openxmlformats.org/officeDocument/2006/relationships" '
    return book.replace(f"<{sheet}", f"<{sheet}{more}").replace("<sheet ", f"<sheet {spaced}")


# Each with the code it is refused by, or "" when it is read.
BOMBS: dict[str, tuple[Callable[[], bytes], str]] = {
    "a row at the very end": (lambda: with_parts(sheet=sheet_of(FAR)), ""),
    "and a declared size": (lambda: with_parts(sheet=sheet_of(FAR, SIZE)), ""),
    "every other row": (
        lambda: with_parts(
            sheet=sheet_of("".join(f'<row r="{n * 90000}"/>' for n in range(1, 11)) + FAR)
        ),
        "",
    ),
    "a row beyond the end": (
        lambda: with_parts(sheet=sheet_of(FAR.replace("1048576", "999999999999"))),
        "not_a_workbook",
    ),
    "rows that run backwards": (
        lambda: with_parts(sheet=sheet_of(f'{FAR}<row r="2">{cell("A2")}</row>')),
        "not_a_workbook",
    ),
    "the last column": (
        lambda: with_parts(sheet=sheet_of(f'<row r="2">{cell("XFD2")}</row>')),
        "too_many_columns",
    ),
    "everything merged": (
        lambda: with_parts(
            sheet=sheet_of(
                f'<row r="2">{cell("A2")}</row>',
                after="<mergeCells>" + '<mergeCell ref="A1:XFD1048576"/>' * 5000 + "</mergeCells>",
            )
        ),
        "",
    ),
    "one row of empty cells": (
        lambda: with_parts(sheet=sheet_of('<row r="2">' + "<c/>" * 60_000 + "</row>")),
        "",
    ),
    "empty rows": (lambda: with_parts(sheet=sheet_of("<row/>" * 40_000)), ""),
    "one long text shown often": (
        lambda: with_parts(
            sheet=sheet_of('<row r="2">' + '<c t="s"><v>0</v></c>' * 9000 + "</row>"),
            strings=strings_of("z" * 200_000),
        ),
        "workbook_unsafe",
    ),
    "the longest text shown often": (
        lambda: with_parts(
            sheet=sheet_of(("<row>" + '<c t="s"><v>0</v></c>' * 30 + "</row>") * 300),
            strings=strings_of("z" * 32_767),
        ),
        "too_large",
    ),
    "empty texts": (lambda: with_parts(strings=strings_of(*[""] * 13_000)), ""),
    "one formula shared often": (
        lambda: with_parts(
            sheet=sheet_of(
                '<row r="2"><c r="A2"><f t="shared" si="0" ref="A2:A9">'
                + "A1+" * 40_000
                + "A1</f></c>"
                + '<c r="B2"><f t="shared" si="0"/></c>' * 3000
                + "</row>"
            )
        ),
        "workbook_unsafe",
    ),
    "a number of ten thousand digits": (
        lambda: with_parts(sheet=sheet_of(f'<row r="2"><c><v>{"9" * 10_000}</v></c></row>')),
        "not_a_workbook",
    ),
    "a number of four hundred digits": (
        lambda: with_parts(sheet=sheet_of(f'<row r="2"><c><v>{"9" * 400}</v></c></row>')),
        "",
    ),
    "a format nobody declared": (
        lambda: with_parts(sheet=sheet_of('<row r="2"><c s="99999"><v>1</v></c></row>')),
        "not_a_workbook",
    ),
    "a format of brackets": (
        lambda: with_parts(
            styles=f'<styleSheet xmlns="{MAIN}"><numFmts><numFmt numFmtId="200" formatCode="'
            + "[" * 200_000
            + '"/></numFmts><cellXfs><xf numFmtId="200"/></cellXfs></styleSheet>'
        ),
        "not_a_workbook",
    ),
    "formats without end": (
        lambda: with_parts(
            styles=f'<styleSheet xmlns="{MAIN}"><cellXfs>'
            + "<xf/>" * 50_000
            + "</cellXfs></styleSheet>"
        ),
        "",
    ),
    "one sheet two thousand times": (
        lambda: with_parts(sheet=sheet_of("<row/>" * 40_000), workbook=many_sheets()),
        "",
    ),
    "elements in elements": (
        lambda: with_parts(sheet=sheet_of("<a>" * 30_000 + "</a>" * 30_000)),
        "",
    ),
}


@pytest.mark.parametrize(("content", "code"), BOMBS.values(), ids=BOMBS.keys())
def test_a_small_workbook_is_read_or_refused_at_once(
    content: Callable[[], bytes], code: str
) -> None:
    packed = content()
    assert len(packed) < PACKED_MAX
    assert code_of(read_sheet, packed) == code
    for read in (read_sheet, read_rows):
        assert min(cpu_s(read, packed) for _ in range(3)) < CPU_S_MAX
    assert memory_of(read_sheet, packed) < MEMORY_MAX


def cpu_s(read: Callable[[bytes], Any], packed: bytes) -> float:
    """Of three the least is asked for: on a busy machine the same work counts as more."""
    began = time.process_time()
    code_of(read, packed)
    return time.process_time() - began


def memory_of(read: Callable[[bytes], Any], packed: bytes) -> int:
    """The most bytes at once; measured apart, since measuring takes its own time."""
    tracemalloc.start()
    try:
        code_of(read, packed)
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def code_of(read: Callable[[bytes], Any], packed: bytes) -> str:
    try:
        read(packed)
    except InvalidError as refusal:
        return refusal.code
    return ""


def test_a_row_far_below_keeps_its_number() -> None:
    rows = read_sheet(with_parts(sheet=sheet_of(FAR))).rows
    assert [row.number for row in rows] == [1, 1_048_576]


def test_marks_without_end_are_refused_before_they_are_parsed() -> None:
    with pytest.raises(InvalidError) as refused:
        open_workbook_safely(PLAIN, limits=WorkbookLimits(marks_max=20))
    assert refused.value.code == "too_large"


def test_blank_lines_of_text_end_where_a_spreadsheet_would() -> None:
    assert code_of(read_sheet, b"x\n" + b"\n" * 1_048_576) == "too_many_rows"
