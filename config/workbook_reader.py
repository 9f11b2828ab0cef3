"""The cells of a workbook that `config.safe_workbook` let pass, row by row.

The library's own reader fills the gaps between rows, writes a shared formula out for each of its
cells and parses every sheet and style there is, so a few kilobytes can cost minutes and gigabytes.
Here only what is asked for is parsed, and forgotten at once.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import IO, Any, Final
from xml.etree.ElementTree import Element, iterparse

from openpyxl.packaging.relationship import get_rels_path
from openpyxl.reader.excel import ExcelReader, _find_workbook_part  # type: ignore[attr-defined]
from openpyxl.styles.numbers import BUILTIN_FORMATS, is_date_format, is_timedelta_format
from openpyxl.utils.cell import coordinate_to_tuple
from openpyxl.utils.datetime import CALENDAR_MAC_1904, WINDOWS_EPOCH
from openpyxl.worksheet._reader import CELL_TAG, DATA_TAG, FORMULA_TAG, ROW_TAG, WorkSheetParser
from openpyxl.xml.constants import ARC_CONTENT_TYPES, ARC_STYLE, SHARED_STRINGS, SHEET_MAIN_NS

# The specification of the most widespread program: rows, characters in a cell and in a format.
ROWS_MAX: Final = 1_048_576
CELL_LENGTH_MAX: Final = 32_767
FORMAT_LENGTH_MAX: Final = 255
# The opening signs in the parts that the library turns into objects, each slow to make.
_LISTS_MARKS_MAX: Final = 10_000
# The parts whose text is looked through before it is parsed.
XML_NAME: Final = re.compile(r"\.(xml|rels|vml)$", re.IGNORECASE)
_NS: Final = f"{{{SHEET_MAIN_NS}}}"


class TooLongError(ValueError):
    """A cell's text is longer than a cell can hold."""


@dataclass(frozen=True, slots=True)
class ReadCell:
    """A cell's value, and the format its number is shown in."""

    value: Any
    number_format: str


class OpenedSheet:
    """One sheet by its title; nothing of it is parsed before its rows are asked for."""

    def __init__(self, book: OpenedWorkbook, path: str, title: str, *, is_visible: bool) -> None:
        self.title = title
        self.is_visible = is_visible
        self._book = book
        self._path = path

    def rows(self, columns_max: int) -> Iterator[tuple[int, dict[int, ReadCell]]]:
        """Each row that says anything: its number, and its cells by column, counted from one.

        Of what stands beyond `columns_max` the first cell is told. Raises TooLongError, and
        ValueError and what parsers raise when the part is damaged.
        """
        reader = _CellReader(self._book, columns_max)
        with self._book.open_part(self._path) as source:
            yield from reader.rows(source)


class OpenedWorkbook:
    """The sheets of a workbook, and what all of them share."""

    def __init__(self, packed: bytes) -> None:
        self._reader: Any = ExcelReader(io.BytesIO(packed), read_only=True, keep_links=False)
        self._check_short(ARC_CONTENT_TYPES)
        self._reader.read_manifest()
        book = _find_workbook_part(self._reader.package).PartName[1:]
        for path in (book, get_rels_path(book)):  # type: ignore[no-untyped-call]
            self._check_short(path)
        self._reader.read_workbook()
        self.is_from_1904: bool = self._reader.wb.epoch == CALENDAR_MAC_1904
        self.sheets = [
            OpenedSheet(self, rel.target, str(sheet.name), is_visible=sheet.state == "visible")
            for sheet, rel in self._reader.parser.find_sheets()
            if "chartsheet" not in rel.Type and rel.target in self._reader.valid_files
        ]
        self.strings = self._read_strings()
        self.formats = self._read_formats()

    def close(self) -> None:
        self._reader.archive.close()

    def open_part(self, path: str) -> IO[bytes]:
        """A part to be parsed: one of those that were found to declare no document type."""
        if not XML_NAME.search(path):
            raise ValueError(f"{path} is no XML")
        part: IO[bytes] = self._reader.archive.open(path)
        return part

    def _check_short(self, path: str) -> None:
        with self.open_part(path) as part:
            if part.read().count(b"<") > _LISTS_MARKS_MAX:
                raise ValueError(f"{path} lists more than a workbook has")

    def _read_strings(self) -> list[str]:
        part = self._reader.package.find(SHARED_STRINGS)
        if part is None:
            return []
        strings = []
        with self.open_part(part.PartName[1:]) as source:
            for item in _elements(source, f"{_NS}si"):
                runs = [item, *item.iterfind(f"{_NS}r")]  # readings beside the text are left out
                strings.append(_checked("".join(run.findtext(f"{_NS}t") or "" for run in runs)))
        return strings

    def _read_formats(self) -> list[str]:
        """The number format of each style, by the style's number."""
        if ARC_STYLE not in self._reader.valid_files:
            return []
        codes: dict[int, str] = {}
        styles: list[int] = []
        with self.open_part(ARC_STYLE) as source:
            for shelf in _elements(source, f"{_NS}numFmts", f"{_NS}cellXfs"):
                for each in shelf.iterfind(f"{_NS}numFmt"):
                    code = each.get("formatCode", "")
                    if len(code) > FORMAT_LENGTH_MAX:
                        raise ValueError("a number format is longer than any")
                    codes[int(each.get("numFmtId", ""))] = code
                styles += (int(each.get("numFmtId", 0)) for each in shelf.iterfind(f"{_NS}xf"))
        return [codes.get(each) or BUILTIN_FORMATS.get(each, "General") for each in styles]


class _CellReader(WorkSheetParser):
    """The library's reading of single cells, with no formula written out for another cell."""

    def __init__(self, book: OpenedWorkbook, columns_max: int) -> None:
        formats = set(book.formats)
        dates = {each for each in formats if is_date_format(each)}
        spans = {each for each in formats if is_timedelta_format(each)}
        super().__init__(
            io.BytesIO(),  # it is handed one cell at a time
            book.strings,
            epoch=CALENDAR_MAC_1904 if book.is_from_1904 else WINDOWS_EPOCH,
            date_formats={at for at, each in enumerate(book.formats) if each in dates},
            timedelta_formats={at for at, each in enumerate(book.formats) if each in spans},
        )
        self._formats = book.formats or ["General"]
        self._columns_max = columns_max

    def rows(self, source: IO[bytes]) -> Iterator[tuple[int, dict[int, ReadCell]]]:
        row = data = None
        cells: dict[int, ReadCell] = {}
        for event, element in _events(source):
            if event == "start":
                if element.tag == DATA_TAG:
                    data = element
                elif element.tag == ROW_TAG:
                    row, cells = element, {}
                    self._begin(element)
            elif element.tag == CELL_TAG and row is not None:
                self._add(element, cells)
                row.clear()
            elif element.tag == ROW_TAG and data is not None:
                if cells:
                    yield self.row_counter, cells
                data.clear()
            elif element.tag == DATA_TAG:
                return

    def parse_formula(self, element: Element) -> str:
        return "=" + (element.findtext(FORMULA_TAG) or "")

    def _begin(self, row: Element) -> None:
        number = int(row.get("r") or self.row_counter + 1)
        if not self.row_counter < number <= ROWS_MAX:
            raise ValueError("rows are out of their order, or more than there can be")
        self.row_counter, self.col_counter = number, 0

    def _add(self, element: Element, cells: dict[int, ReadCell]) -> None:
        if not len(element):  # blank, if perhaps in a format: only its place counts
            place = element.get("r")
            self.col_counter = coordinate_to_tuple(place)[1] if place else self.col_counter + 1
            return
        read = self.parse_cell(element)
        if read["value"] is None:
            return
        value = _checked(read["value"]) if isinstance(read["value"], str) else read["value"]
        column = min(read["column"], self._columns_max + 1)
        cells[column] = ReadCell(value, self._formats[read["style_id"]])


def _events(source: IO[bytes]) -> Iterator[tuple[str, Any]]:
    """Starts and ends, by the fast parser: `open_part` opens nothing with entities in it."""
    return iterparse(source, events=("start", "end"))  # noqa: S314


def _elements(source: IO[bytes], *tags: str) -> Iterator[Element]:
    """The elements of these names, each forgotten before the next."""
    root = None
    for event, element in _events(source):
        if root is None:
            root = element
        elif event == "end" and element.tag in tags:
            yield element
            root.clear()


def _checked(text: str) -> str:
    if len(text) > CELL_LENGTH_MAX:
        raise TooLongError
    return text
