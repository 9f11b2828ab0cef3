"""Which column of a stranger's sheet is which: told by its headings, never by its figures."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Final

from lots.sheets.cells import Sheet, SheetRow
from lots.sheets.columns import Column, Kind, Layout, Source
from lots.unit_words import UNSAID, unit_word

HEADER_WITHIN: Final = 40
_BRACKETED: Final = re.compile(r"(.*?)\s*[\[(]([^\[\]()]{1,20})[\])]\s*")
_AFTER_COMMA: Final = re.compile(r"(.*),\s*([^,]{1,20})")
_NOT_WORDS: Final = re.compile(r"[^\w±%‰]+")


def guess_layout(sheet: Sheet, columns: Sequence[Column], header_row: int | None = None) -> Layout:
    """The row that looks most like headings, and which of them is which column.

    A template or a form sent out is recognised whole; what is not recognised is left to the user,
    who may also say which row has the headings (0: none).
    """
    if header_row is not None:
        return Layout(header_row, _recognised(sheet.row(header_row), columns))
    best: dict[str, Source] = {}
    header_row = 0
    for row in sheet.rows:
        if row.number > HEADER_WITHIN:
            break
        found = _recognised(row, columns)
        if len(found) > len(best):
            best, header_row = found, row.number
    if not best and sheet.rows:
        header_row = sheet.rows[0].number
    return Layout(header_row, best)


def _recognised(row: SheetRow, columns: Sequence[Column]) -> dict[str, Source]:
    """Which cells of a row are headings of which columns; each cell and column once."""
    found: dict[str, Source] = {}
    called = {
        _words(text): column
        for column in columns
        for text in (*column.also_called, column.name, column.header)
    }
    for at, cell in enumerate(row.cells):
        if cell.is_blank or len(cell.text) > 80:
            continue
        column, unit = _column_called(cell.text, called)
        if column is not None and column.name not in found:
            found[column.name] = Source(at=at, unit=unit or column.usual_unit)
    return found


def _column_called(text: str, called: Mapping[str, Column]) -> tuple[Column | None, str]:
    """The column a heading names, and the unit it names with it."""
    for pattern in (_BRACKETED, _AFTER_COMMA):
        match = pattern.fullmatch(text)
        column = called.get(_words(match[1])) if match else None
        if match and column is not None:
            unit = _unit_called(match[2], column)
            if unit or not column.units:
                return column, unit
    column = called.get(_words(text))
    if column is not None:
        return column, ""
    words, _, last = _words(text).rpartition(" ")
    column = called.get(words)
    if column is not None:
        unit = _unit_called(last, column)
        if unit:
            return column, unit
    return None, ""


def _unit_called(text: str, column: Column) -> str:
    said = unit_word(text)
    if said == UNSAID and column.kind == Kind.MASS:
        return UNSAID
    return next((unit for unit, _ in column.units if unit.casefold() == said.casefold()), "")


def _words(text: str) -> str:
    return " ".join(_NOT_WORDS.sub(" ", text.replace("_", " ").casefold()).split())
