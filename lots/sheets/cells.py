"""What a stranger's spreadsheet says, cell by cell, before anyone knows what it means."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final

TEXT: Final = "text"
NUMBER: Final = "number"
MOMENT: Final = "moment"
FORMULA: Final = "formula"
FAULT: Final = "fault"

FAULTS: Final = frozenset(
    {"#NULL!", "#DIV/0!", "#VALUE!", "#REF!", "#NAME?", "#NUM!", "#N/A", "#GETTING_DATA"}
)
_SHORT: Final = {NUMBER: "n", MOMENT: "m", FORMULA: "f", FAULT: "e"}
_LONG: Final = {short: kind for kind, short in _SHORT.items()}


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell: its kind, and what it says as text.

    A number is plain digits with a point; a moment is ISO without a zone; a formula is its text.
    """

    kind: str = TEXT
    text: str = ""

    @property
    def is_blank(self) -> bool:
        return self.kind == TEXT and not self.text


BLANK: Final = Cell()


@dataclass(frozen=True, slots=True)
class SheetRow:
    """One row that is not blank: `number` as the spreadsheet counts."""

    number: int
    cells: tuple[Cell, ...]

    def cell(self, at: int) -> Cell:
        return self.cells[at] if at < len(self.cells) else BLANK


@dataclass(frozen=True, slots=True)
class Sheet:
    """The rows of one sheet that are not blank.

    `from_1904` says that a bare number in a column of dates counts days from 1904.
    """

    rows: tuple[SheetRow, ...]
    name: str = ""
    from_1904: bool = False

    @property
    def width(self) -> int:
        return max((len(row.cells) for row in self.rows), default=0)

    def row(self, number: int) -> SheetRow:
        """The row of that number; an empty one when the sheet has none."""
        return next((row for row in self.rows if row.number == number), SheetRow(number, ()))


def text_cell(text: str) -> Cell:
    """A cell of text; what begins with an equals sign is a formula, however it was sent."""
    text = text.strip()
    if text.startswith("="):
        return Cell(FORMULA, text)
    if text in FAULTS:
        return Cell(FAULT, text)
    return Cell(TEXT, text)


def letters(at: int) -> str:
    """The spreadsheet's name of the column counted from nought: A, B, ... Z, AA."""
    name, rest = "", at + 1
    while rest:
        rest, digit = divmod(rest - 1, 26)
        name = chr(ord("A") + digit) + name
    return name


def to_json(sheet: Sheet) -> str:
    """The sheet as it is kept while an import is under way, in ASCII whatever its cells hold."""
    rows = [[row.number, [_packed(cell) for cell in row.cells]] for row in sheet.rows]
    kept = {"name": sheet.name, "from_1904": sheet.from_1904, "rows": rows}
    return json.dumps(kept, separators=(",", ":"))


def from_json(text: str) -> Sheet:
    kept = json.loads(text)
    rows = tuple(
        SheetRow(number, tuple(_unpacked(cell) for cell in cells)) for number, cells in kept["rows"]
    )
    return Sheet(rows, kept["name"], kept["from_1904"])


def trimmed(cells: Iterable[Cell]) -> tuple[Cell, ...]:
    """The cells without the blank ones at the end."""
    kept: Sequence[Cell] = list(cells)
    end = len(kept)
    while end and kept[end - 1].is_blank:
        end -= 1
    return tuple(kept[:end])


def _packed(cell: Cell) -> Any:
    return cell.text if cell.kind == TEXT else [_SHORT[cell.kind], cell.text]


def _unpacked(cell: Any) -> Cell:
    if isinstance(cell, str):
        return Cell(TEXT, cell) if cell else BLANK
    return Cell(_LONG[cell[0]], cell[1])
