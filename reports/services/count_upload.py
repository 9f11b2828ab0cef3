"""Reads a filled-in count form, a workbook or CSV, as rows of text. Nothing is trusted."""

from __future__ import annotations

import csv
import io
import itertools
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final

from django.conf import settings

from config.refusals import InvalidError
from config.safe_workbook import (
    WORKBOOK_SIGNATURE,
    WorkbookLimits,
    open_workbook_safely,
    sheet_rows,
)
from config.sheet_text import as_written, as_written_in_csv
from config.workbook_reader import ReadCell
from reports.exports.count_form import COLUMNS

ROWS_MAX: Final = 5000
CELLS_MAX: Final = 40
CELL_LENGTH_MAX: Final = 1000
_HEADER_WITHIN: Final = 40
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

    Raises InvalidError on `file`: `not_a_count_form` (no CSV, or without the form's
    header), `too_many_rows`, `empty`, and what `open_workbook_safely` refuses.
    """
    lines = (
        _workbook_rows(content) if content.startswith(WORKBOOK_SIGNATURE) else _csv_rows(content)
    )
    rows = list(_below_header(lines))
    if not rows:
        raise _refusal(
            "The file has no row with a lot.",
            code="empty",
            remedy="Fill in the form that was sent out.",
        )
    return rows


def _workbook_rows(content: bytes) -> list[tuple[int, list[str]]]:
    limits = WorkbookLimits(bytes_max=settings.UPLOAD_BYTES_MAX)
    book = open_workbook_safely(content, limits=limits)
    try:
        rows = sheet_rows(book.sheets[0], rows_max=ROWS_MAX, columns_max=CELLS_MAX)
        return [
            (number, [as_written(_text(cell)) for cell in row[:CELLS_MAX]]) for number, row in rows
        ]
    finally:
        book.close()


def _csv_rows(content: bytes) -> list[tuple[int, list[str]]]:
    try:
        text = content.decode("utf-8-sig")
        if "\0" in text:
            raise _not_a_form()
        read = csv.reader(io.StringIO(text, newline=""), strict=True)
        return [
            (number, [as_written_in_csv(cell) for cell in row[:CELLS_MAX]])
            for number, row in _at_most(read)
        ]
    except (UnicodeDecodeError, csv.Error) as error:
        raise _not_a_form() from error


def _at_most(rows: Iterable[list[str]]) -> Iterator[tuple[int, list[str]]]:
    for number, row in enumerate(rows, 1):
        if number > ROWS_MAX:
            raise _refusal(
                f"The file has more than {ROWS_MAX} rows.",
                code="too_many_rows",
                remedy="Send one sheet's form.",
            )
        yield number, row


def _below_header(lines: Iterable[tuple[int, list[str]]]) -> Iterator[UploadedRow]:
    names: list[str | None] = []
    numbered = iter(lines)
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


def _text(cell: ReadCell | None) -> str:
    """A cell as text; a number as the shortest digits that give it back."""
    if cell is None:
        return ""
    value = cell.value
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return str(value)[: CELL_LENGTH_MAX + 1]


def _not_a_form() -> InvalidError:
    return _refusal(
        "This is not a filled-in count form.",
        code="not_a_count_form",
        remedy="Send the workbook or CSV that was sent out, with its header row as it was.",
    )


def _refusal(message: str, *, code: str, remedy: str) -> InvalidError:
    return InvalidError(message, code=code, field="file", remedy=remedy)
