"""Reads a filled-in count form, a workbook or CSV, as rows of text. Nothing is trusted."""

from __future__ import annotations

import csv
import io
import itertools
import zipfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Final

from django.conf import settings
from openpyxl import load_workbook
from openpyxl.utils.exceptions import InvalidFileException

from config.refusals import InvalidError
from reports.exports.count_form import COLUMNS

ROWS_MAX: Final = 5000
CELLS_MAX: Final = 40
CELL_LENGTH_MAX: Final = 1000
UNPACKED_BYTES_MAX: Final = 50 * 1024 * 1024
_HEADER_WITHIN: Final = 40
_ZIP: Final = b"PK\x03\x04"
# By the column's own name as in the CSV, or by its header as in the workbook.
_NAMES: Final = {
    text.casefold(): column.name for column in COLUMNS for text in (column.name, column.header)
}
_NEEDED: Final = {"sheet", "lot"}


@dataclass(frozen=True)
class UploadedRow:
    """One row as it was written: `number` as the spreadsheet counts, cells by column name."""

    number: int
    cells: dict[str, str]


def read_rows(content: bytes) -> list[UploadedRow]:
    """The rows below the header, blank ones left out.

    Raises InvalidError on `file`: `too_large`, `not_a_count_form` (no workbook or CSV, or without
    its header), `too_many_rows`, `empty`.
    """
    if len(content) > settings.UPLOAD_BYTES_MAX:
        raise _refusal("The file is too large.", "too_large", "Send the form alone.")
    lines = _workbook_rows(content) if content.startswith(_ZIP) else _csv_rows(content)
    rows = list(_below_header(lines))
    if not rows:
        raise _refusal(
            "The file has no row with a lot.", "empty", "Fill in the form that was sent out."
        )
    return rows


def _workbook_rows(content: bytes) -> Iterator[list[str]]:
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            unpacked = sum(member.file_size for member in archive.infolist())
        if unpacked > UNPACKED_BYTES_MAX:
            raise _refusal("The workbook is too large.", "too_large", "Send the form alone.")
        book = load_workbook(io.BytesIO(content), read_only=True, data_only=False)
        try:
            sheet: Any = book.worksheets[0]
            read = sheet.iter_rows(max_col=CELLS_MAX, values_only=True)
            rows = [[_text(value) for value in row] for row in _at_most(read)]
        finally:
            book.close()
    except InvalidError:
        raise
    except (
        zipfile.BadZipFile,
        InvalidFileException,
        LookupError,
        ValueError,
        TypeError,
        AttributeError,
        SyntaxError,  # what the XML parsers' own errors are
        OSError,
        EOFError,
        NotImplementedError,
        RuntimeError,
    ) as error:
        raise _not_a_form() from error
    return iter(rows)


def _csv_rows(content: bytes) -> Iterator[list[str]]:
    try:
        text = content.decode("utf-8-sig")
        if "\0" in text:
            raise _not_a_form()
        read = csv.reader(io.StringIO(text, newline=""), strict=True)
        return iter([row[:CELLS_MAX] for row in _at_most(read)])
    except (UnicodeDecodeError, csv.Error) as error:
        raise _not_a_form() from error


def _at_most(rows: Iterable[Any]) -> Iterator[Any]:
    for number, row in enumerate(rows):
        if number >= ROWS_MAX:
            raise _refusal(
                f"The file has more than {ROWS_MAX} rows.",
                "too_many_rows",
                "Send one sheet's form.",
            )
        yield row


def _below_header(lines: Iterator[list[str]]) -> Iterator[UploadedRow]:
    names: list[str | None] = []
    numbered = enumerate(lines, 1)
    for _, line in itertools.islice(numbered, _HEADER_WITHIN):
        names = [_NAMES.get(cell.strip().casefold()) for cell in line]
        if set(names) >= _NEEDED:
            break
    else:
        raise _not_a_form()
    for number, line in numbered:
        cells = {
            name: cell.strip()[:CELL_LENGTH_MAX]
            for name, cell in zip(names, line, strict=False)
            if name is not None
        }
        if cells.get("lot") or cells.get("gross") or cells.get("volume_ml"):
            yield UploadedRow(number, cells)


def _text(value: object) -> str:
    """A cell as text; a number as the shortest digits that give it back."""
    if value is None:
        return ""
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return str(value)


def _not_a_form() -> InvalidError:
    return _refusal(
        "This is not a filled-in count form.",
        "not_a_count_form",
        "Send the workbook or CSV that was sent out, with its header row as it was.",
    )


def _refusal(message: str, code: str, remedy: str) -> InvalidError:
    return InvalidError(message, code=code, field="file", remedy=remedy)
