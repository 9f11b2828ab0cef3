"""The workbooks of an import: one to fill in, and the sender's own with its faults marked."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from typing import IO, Any, Final

from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.styles import Alignment, Font, PatternFill
from openpyxl.utils import get_column_letter

from config.sheet_text import fit_for_xml, neutralised
from lots.sheets.cells import MOMENT, NUMBER, Cell, Sheet, letters
from lots.sheets.columns import Column, Kind, Layout
from lots.sheets.subjects import Subject

INVENTED: Final = "The row below is an invented example: write over it."
WRONG: Final = "What is wrong, and what to do"
_BOLD: Final = Font(bold=True)
_TITLE: Final = Font(bold=True, size=13)
_FAULT: Final = PatternFill("solid", fgColor="F4B6A8")
_FAULT_FONT: Final = Font(bold=True, color="7A1212")
_NEEDED: Final = PatternFill("solid", fgColor="EFE3C2")
_WRAPPED: Final = Alignment(wrap_text=True, vertical="top")
_CELL_MAX: Final = 32_000


def write_template(subject: Subject, file: IO[bytes]) -> None:
    """A sheet with the headings and one invented row, and a sheet that explains each column."""
    book = Workbook(write_only=True)
    rows = book.create_sheet(subject.title[:31])
    rows.freeze_panes = "A4"
    for at, column in enumerate(subject.columns, 1):
        rows.column_dimensions[get_column_letter(at)].width = max(14, len(_heading(column)) + 3)
    rows.append([_text(rows, subject.title, font=_TITLE)])
    rows.append([_text(rows, INVENTED)])
    rows.append(
        [
            _text(rows, _heading(column), font=_BOLD, fill=_NEEDED if column.required else None)
            for column in subject.columns
        ]
    )
    rows.append([_example(rows, column) for column in subject.columns])
    _help_sheet(book, subject)
    book.save(file)


def write_marked(
    sheet: Sheet,
    layout: Layout,
    subject: Subject,
    problems: Sequence[Mapping[str, Any]],
    file: IO[bytes],
) -> None:
    """Every row of the sheet as it was sent, with the faulty cells marked and, beside them, why.

    Rows keep their numbers. Corrected, it is sent again as it is: the added column is not read.
    """
    book = Workbook(write_only=True)
    page = book.create_sheet((sheet.name or subject.title)[:31].translate(_NOT_IN_NAMES))
    width = sheet.width
    page.freeze_panes = f"A{layout.header_row + 1}"
    page.column_dimensions[get_column_letter(width + 1)].width = 90
    if layout.header_row:
        last = sheet.rows[-1].number
        page.auto_filter.ref = f"A{layout.header_row}:{letters(width)}{last}"
    wrong, used = _by_row(problems), layout.sources
    next_number = 1
    for row in sheet.rows:
        for _ in range(next_number, row.number):
            page.append([])
        if row.number == layout.header_row:
            cells = [_as_sent(page, row.cell(at), is_faulty=False) for at in range(width)]
            page.append([*cells, _text(page, WRONG, font=_BOLD)])
        else:
            said = wrong.get(row.number, ())
            faulty = {layout.sources[each["column"]].at for each in said if each["column"] in used}
            cells = [_as_sent(page, row.cell(at), is_faulty=at in faulty) for at in range(width)]
            page.append([*cells, *_why(page, said, layout, subject)])
        next_number = row.number + 1
    book.save(file)


def _why(
    page: Any, problems: Sequence[Mapping[str, Any]], layout: Layout, subject: Subject
) -> list[Any]:
    """The cell beside a row that says what is wrong with it; none for a row without fault."""
    said = "\n".join(_said(each, layout, subject) for each in problems)
    return [_text(page, said, font=_FAULT_FONT, wrapped=True)] if said else []


def _said(problem: Mapping[str, Any], layout: Layout, subject: Subject) -> str:
    """One problem in a line: the column, what is wrong, what to do."""
    column = subject.column(problem["column"])
    source = layout.sources.get(problem["column"])
    where = ""
    if column is not None:
        at = f" (column {letters(source.at)})" if source and source.at is not None else ""
        where = f"{column.header}{at}: "
    return f"{where}{problem['message']} {problem['remedy']}"


def _by_row(problems: Iterable[Mapping[str, Any]]) -> dict[int, list[Mapping[str, Any]]]:
    found: dict[int, list[Mapping[str, Any]]] = {}
    for problem in problems:
        found.setdefault(problem["row"], []).append(problem)
    return found


def _as_sent(page: Any, cell: Cell, *, is_faulty: bool) -> Any:
    """A cell as it came, never run; a faulty one stands out even when it is empty."""
    fill = _FAULT if is_faulty else None
    font = _FAULT_FONT if is_faulty else None
    if cell.kind == NUMBER:
        return _styled(page, _number(cell.text), font=font, fill=fill)
    if cell.kind == MOMENT:
        made = _styled(page, dt.datetime.fromisoformat(cell.text), font=font, fill=fill)
        made.number_format = "yyyy-mm-dd hh:mm:ss"
        return made
    if cell.is_blank and not is_faulty:
        return None
    return _text(page, cell.text, font=font, fill=fill)


def _number(text: str) -> float | int | str:
    """The number as a spreadsheet keeps it, when it keeps all its digits."""
    digits = text.lstrip("-").replace(".", "").strip("0")
    if len(digits) > 15:
        return text
    return float(text) if "." in text else int(text)


def _help_sheet(book: Any, subject: Subject) -> None:
    page = book.create_sheet("Help")
    for letter, wide in zip("ABCDE", (26, 12, 16, 70, 60), strict=True):
        page.column_dimensions[letter].width = wide
    page.append([_text(page, f"{subject.title}: how to fill it in", font=_TITLE)])
    for line in (
        subject.about,
        "Headings may be renamed, moved or left out: which column is which is asked for after the "
        "sheet is sent. Filled headings must have a value in every row.",
        "Paste figures as values: formulas are not worked out. A unit after a number goes before "
        "the column's unit. Write days as 2026-05-04 or format them as dates.",
        "Everything is checked and shown before anything is recorded, and all of it is recorded "
        "or none.",
    ):
        page.append([_text(page, line)])
    page.append([])
    headings = ("Heading", "Needed", "Unit", "What it means", "Words that may stand there")
    page.append([_text(page, heading, font=_BOLD) for heading in headings])
    for column in subject.columns:
        words = ", ".join(label for _, label in column.choices)
        units = ", ".join(unit for unit, _ in column.units)
        needed = "yes" if column.required else ""
        texts = (column.header, needed, units, column.meaning, words)
        page.append([_text(page, text, wrapped=True) for text in texts])


def _heading(column: Column) -> str:
    """The heading with its unit, which is recognised when the sheet comes back."""
    shown = {"ppt": "‰", "percent": "%"}.get(column.usual_unit, column.usual_unit)
    return f"{column.header}, {shown}" if shown else column.header


def _example(page: Any, column: Column) -> Any:
    """The invented example, as a number where numbers stand."""
    if not column.example:
        return None
    if column.kind in {Kind.FIGURE, Kind.MASS, Kind.VOLUME, Kind.FINENESS}:
        return _styled(page, float(column.example))
    return _text(page, column.example)


def _text(
    page: Any, text: str, *, font: Font | None = None, fill: Any = None, wrapped: bool = False
) -> Any:
    cell = _styled(page, neutralised(fit_for_xml(text[:_CELL_MAX])), font=font, fill=fill)
    if wrapped:
        cell.alignment = _WRAPPED
    return cell


def _styled(page: Any, value: Any, *, font: Font | None = None, fill: Any = None) -> Any:
    cell = WriteOnlyCell(page, value=value)
    if font is not None:
        cell.font = font
    if fill is not None:
        cell.fill = fill
    return cell


# What the format allows no sheet to be called with.
_NOT_IN_NAMES: Final = str.maketrans(dict.fromkeys("[]:*?/\\", " "))
