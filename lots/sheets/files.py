"""Reads a stranger's workbook, CSV or pasted cells as a sheet. Nothing in it is run or trusted."""

from __future__ import annotations

import codecs
import csv
import datetime as dt
import io
import re
from collections.abc import Iterable, Iterator
from decimal import Context, Decimal
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
from lots.sheets.cells import (
    BLANK,
    MOMENT,
    NUMBER,
    Cell,
    Sheet,
    SheetRow,
    text_cell,
    trimmed,
)

ROWS_MAX: Final = 10_000
COLUMNS_MAX: Final = 60
CELLS_MAX: Final = 300_000
CELL_LENGTH_MAX: Final = 2000
# Blank rows are passed over, as far down as a spreadsheet goes.
_ROWS_SCANNED_MAX: Final = 1_048_576
_SEPARATORS: Final = "\t;,"
_SNIFFED_LINES: Final = 30
# A spreadsheet keeps and shows fifteen significant digits.
_AS_SHOWN: Final = Context(prec=15)
_PLAIN_FORMATS: Final = frozenset({"General", "0", "0.00", "#,##0", "#,##0.00"})
_QUOTED: Final = re.compile(r'"([^"]*)"')
_BEYOND: Final = Cell(text="…")
_BINARY: Final = (b"\xd0\xcf\x11\xe0", b"%PDF-", b"\x89PNG", b"\xff\xd8\xff", b"PK")


def read_sheet(content: bytes) -> Sheet:
    """The rows of a file (xlsx, or CSV in UTF-8 or UTF-16), or of cells pasted as UTF-8 text.

    Raises InvalidError on `file`: `too_large`, `empty_file`, `not_a_sheet`, `too_many_rows`,
    `too_many_columns`, `too_many_cells`, and what `open_workbook_safely` refuses.
    """
    check_size(len(content))
    sheet = _of_workbook(content) if content.startswith(WORKBOOK_SIGNATURE) else _of_text(content)
    if not sheet.rows:
        raise _refusal(
            "There is nothing in it.", "empty_file", "Choose the file again, or paste the cells."
        )
    return sheet


def check_size(size_bytes: int | None) -> None:
    """Refuses a file that is `too_large` before it is read."""
    if (size_bytes or 0) > settings.UPLOAD_BYTES_MAX:
        most = settings.UPLOAD_BYTES_MAX // (1024 * 1024)
        raise _refusal(f"This is larger than {most} MiB.", "too_large", "Send it in parts.")


def _of_workbook(content: bytes) -> Sheet:
    book = open_workbook_safely(content, limits=WorkbookLimits(bytes_max=settings.UPLOAD_BYTES_MAX))
    try:
        sheet = next((each for each in book.sheets if each.is_visible), book.sheets[0])
        read = sheet_rows(sheet, rows_max=_ROWS_SCANNED_MAX, columns_max=COLUMNS_MAX)
        rows = _kept((number, [_cell(cell) for cell in row]) for number, row in read)
        return Sheet(rows, sheet.title[:80], book.is_from_1904)
    finally:
        book.close()


def _of_text(content: bytes) -> Sheet:
    text = _decoded(content)
    separator, text = _separator(text)
    try:
        read = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
        return Sheet(_kept(enumerate(map(_text_cells, read), 1)))
    except csv.Error as error:
        raise _not_a_sheet() from error


def _text_cells(row: list[str]) -> list[Cell]:
    """The cells up to the last that is not blank, and one too many at most."""
    while row and not row[-1].strip():
        row.pop()
    # A row that is too wide stays so, without each of its cells being looked at.
    return [text_cell(_as_sent(cell)) for cell in row[:COLUMNS_MAX]] + [_BEYOND] * (
        len(row) > COLUMNS_MAX
    )


def _kept(rows: Iterable[tuple[int, list[Cell]]]) -> tuple[SheetRow, ...]:
    """The rows that are not blank, numbered as the spreadsheet counts."""
    kept: list[SheetRow] = []
    cells_kept = 0
    for number, cells in rows:
        row = trimmed(cells)
        if number > _ROWS_SCANNED_MAX:
            raise _too_many_rows()
        if not row:
            continue
        if len(row) > COLUMNS_MAX:
            raise _refusal(
                f"Row {number} is more than {COLUMNS_MAX} columns wide.",
                "too_many_columns",
                "Copy the columns that are needed into a sheet of their own.",
            )
        cells_kept += len(row)
        if cells_kept > CELLS_MAX:
            raise _refusal(
                f"The sheet has more than {CELLS_MAX} cells.", "too_many_cells", "Send it in parts."
            )
        # A few lines above the headings don't count.
        if len(kept) >= ROWS_MAX + _SNIFFED_LINES:
            raise _too_many_rows()
        kept.append(SheetRow(number, row))
    return tuple(kept)


def _cell(cell: ReadCell | None) -> Cell:
    """A workbook's cell; numbers with the digits, and the unit, that the spreadsheet shows."""
    if cell is None:
        return BLANK
    value = cell.value
    if isinstance(value, bool):
        return Cell(text="yes" if value else "no")
    if isinstance(value, int | float):
        return _with_shown_unit(_number(value), cell.number_format)
    if isinstance(value, dt.datetime):
        return Cell(MOMENT, value.replace(microsecond=0).isoformat())
    if isinstance(value, dt.date):
        return Cell(MOMENT, dt.datetime(value.year, value.month, value.day).isoformat())  # noqa: DTZ001
    if isinstance(value, str):
        return text_cell(as_written(value[:CELL_LENGTH_MAX]))
    return text_cell(str(value)[:CELL_LENGTH_MAX])


def _with_shown_unit(number: Cell, number_format: str) -> Cell:
    """A percentage is kept in hundredths, a unit sometimes by the format alone: read as shown."""
    if number.kind != NUMBER or number_format in _PLAIN_FORMATS:
        return number
    positive = number_format.split(";", maxsplit=1)[0]
    said = "".join(_QUOTED.findall(positive)).strip()
    if "%" in _QUOTED.sub("", positive):
        return Cell(text=f"{Decimal(number.text) * 100:f} %")
    return Cell(text=f"{number.text} {said}") if said else number


def _number(value: float) -> Cell:
    number = _AS_SHOWN.create_decimal(value).normalize()
    if not number.is_finite() or abs(number.adjusted()) > 30:
        return text_cell(str(value)[:CELL_LENGTH_MAX])
    return Cell(NUMBER, f"{number:f}")


def _as_sent(cell: str) -> str:
    return as_written_in_csv(cell[:CELL_LENGTH_MAX])


def _decoded(content: bytes) -> str:
    """The text, by its byte order mark or else as UTF-8; other encodings are never guessed."""
    marks = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
    encoding = "utf-16" if content.startswith(marks) else "utf-8-sig"
    try:
        text = content.decode(encoding)
    except UnicodeDecodeError as error:
        raise _not_a_sheet() from error
    if "\0" in text or content.startswith(_BINARY):
        raise _not_a_sheet()
    return text


def _separator(text: str) -> tuple[str, str]:
    """What divides the cells: the line that says so, else what makes the most even columns."""
    first, _, rest = text.partition("\n")
    named = first.strip().casefold()
    if named.startswith("sep=") and len(named) == 5 and named[4] in _SEPARATORS + "|":
        return named[4], rest
    return max(_SEPARATORS, key=lambda each: _evenness(text, each)), text


def _evenness(text: str, separator: str) -> tuple[int, int]:
    """How many cells the first lines have in rows of their commonest width above one."""
    widths: dict[int, int] = {}
    try:
        for row in _first_rows(text, separator):
            if len(row) > 1:
                widths[len(row)] = widths.get(len(row), 0) + 1
    except csv.Error:
        return 0, 0
    return max(((count * width, width) for width, count in widths.items()), default=(0, 0))


def _first_rows(text: str, separator: str) -> Iterator[list[str]]:
    read = csv.reader(io.StringIO(text[:200_000], newline=""), delimiter=separator)
    for _, row in zip(range(_SNIFFED_LINES), read, strict=False):
        yield row


def _too_many_rows() -> InvalidError:
    return _refusal(
        f"The sheet has more than {ROWS_MAX} rows.", "too_many_rows", "Send it in parts."
    )


def _not_a_sheet() -> InvalidError:
    return _refusal(
        "This is neither a workbook nor a table of text that can be read.",
        "not_a_sheet",
        "Save it as .xlsx, or as CSV in UTF-8, and send that; or paste the cells.",
    )


def _refusal(message: str, code: str, remedy: str) -> InvalidError:
    return InvalidError(message, code=code, field="file", remedy=remedy)
