"""What an import's columns are, which column of a user's sheet is which, and what a row says."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from enum import Enum
from typing import Any, Final

from config.refusals import RefusalError, refuse
from lots.fineness import parse_fineness
from lots.sheets.cells import Cell, Sheet, SheetRow, text_cell
from lots.sheets.values import (
    Ways,
    has_decimal_comma,
    mass_unit,
    number_and_unit,
    read_choice,
    read_moment,
    read_yes_no,
    refuse_unread,
)
from lots.texts import checked_text
from lots.unit_words import UNSAID, unit_word
from lots.units import UNIT_NAMES, mass_to_ug, parse_decimal
from lots.volumes import volume_to_ul


class Kind(Enum):
    """How a column's cells are read."""

    TEXT = "text"
    NAME = "name"
    CHOICE = "choice"
    FIGURE = "figure"
    MASS = "mass"
    VOLUME = "volume"
    FINENESS = "fineness"
    MOMENT = "moment"
    YES_NO = "yes or no"
    UNIT = "unit"


MASS_UNITS: Final = tuple((unit, f"{name} ({unit})") for unit, name in UNIT_NAMES.items())
VOLUME_UNITS: Final = (("ml", "millilitre (ml)"), ("l", "litre (l)"), ("ul", "microlitre (ul)"))
FINENESS_UNITS: Final = (
    ("ppt", "parts per thousand (‰)"),
    ("percent", "per cent (%)"),
    ("ppm", "parts per million (ppm)"),
    ("g/t", "grams per tonne (g/t)"),
)
_UNITS: Final = {
    Kind.MASS: MASS_UNITS,
    Kind.VOLUME: VOLUME_UNITS,
    Kind.FINENESS: FINENESS_UNITS,
}
_USUAL_UNIT: Final = {Kind.MASS: "g", Kind.VOLUME: "ml", Kind.FINENESS: "ppt"}


@dataclass(frozen=True)
class Column:
    """One thing a row may say: its name in the API, its header, and what it means.

    `names` says what a NAME column names (a party, a place, ...); `unit_in` the column of units
    that goes before the column's own unit.
    """

    name: str
    header: str
    kind: Kind
    meaning: str
    example: str = ""
    required: bool = False
    names: str = ""
    choices: tuple[tuple[str, str], ...] = ()
    also_called: tuple[str, ...] = ()
    unit_in: str = ""
    figure_units: tuple[tuple[str, str], ...] = ()
    factors: Mapping[str, Decimal] = field(default_factory=dict)
    decimals_max: int = 9
    length_max: int = 200
    may_be_zero: bool = False

    @property
    def units(self) -> tuple[tuple[str, str], ...]:
        """Units to choose from, each with its label; empty for a column without a unit."""
        return self.figure_units or _UNITS.get(self.kind, ())

    @property
    def usual_unit(self) -> str:
        return self.figure_units[0][0] if self.figure_units else _USUAL_UNIT.get(self.kind, "")


@dataclass(frozen=True)
class Source:
    """Where a column's value comes from: a column of the sheet, or one text for every row."""

    at: int | None = None
    constant: str = ""
    unit: str = ""

    @property
    def is_given(self) -> bool:
        return self.at is not None or bool(self.constant)


@dataclass(frozen=True)
class Layout:
    """How a sheet is read: where its headings stand (0: it has none), and what each column is."""

    header_row: int = 0
    sources: Mapping[str, Source] = field(default_factory=dict)
    date_order: str = ""
    decimal_sign: str = ""

    def as_json(self) -> dict[str, Any]:
        return {
            "header_row": self.header_row,
            "date_order": self.date_order,
            "decimal_sign": self.decimal_sign,
            "sources": {
                name: {"at": source.at, "constant": source.constant, "unit": source.unit}
                for name, source in self.sources.items()
                if source.is_given
            },
        }

    @staticmethod
    def of_json(kept: Mapping[str, Any]) -> Layout:
        sources = {name: Source(**source) for name, source in kept["sources"].items()}
        return Layout(kept["header_row"], sources, kept["date_order"], kept["decimal_sign"])


@dataclass(frozen=True)
class RowRead:
    """What a row says by column, and what of it can't be read."""

    values: dict[str, Any]
    problems: list[RefusalError]


def rows_below(sheet: Sheet, layout: Layout) -> list[SheetRow]:
    """The rows that are read: below the headings, with something in a column that is."""
    used = [source.at for source in layout.sources.values() if source.at is not None]
    return [
        row
        for row in sheet.rows
        if row.number > layout.header_row and any(not row.cell(at).is_blank for at in used)
    ]


def check_layout(layout: Layout, columns: Sequence[Column], width: int) -> None:
    """Refuses a layout that can't be read by: the first of `layout_problems`."""
    for problem in layout_problems(layout, columns, width):
        raise problem


def layout_problems(
    layout: Layout, columns: Sequence[Column], width: int
) -> Iterator[RefusalError]:
    """Why a sheet can't be read by a layout.

    InvalidError `column_needed`, `column_used_twice`, `unknown_column`, `unit_needed`,
    `unknown_unit`, each on the column's name.
    """
    known = {column.name: column for column in columns}
    taken: dict[int, str] = {}
    for name, source in layout.sources.items():
        if name not in known or (source.at is not None and not 0 <= source.at < max(width, 1)):
            yield refuse(
                "unknown_column",
                field=name[:40],
                value=name if name not in known else source.at,
                known=", ".join(known),
            )
            continue
        if source.at is not None and taken.setdefault(source.at, name) != name:
            yield refuse("column_used_twice", field=name, header=known[taken[source.at]].header)
        if source.is_given:
            yield from _unit_problems(known[name], source)
    for column in columns:
        if column.required and not layout.sources.get(column.name, Source()).is_given:
            yield refuse("column_needed", field=column.name, header=column.header)


def ways_of(sheet: Sheet, layout: Layout, ways: Ways) -> Ways:
    """The ways of writing that the user and the workbook say."""
    return replace(
        ways,
        date_order=layout.date_order,
        decimal_sign=layout.decimal_sign,
        from_1904=sheet.from_1904,
    )


def shows_commas(layout: Layout, columns: Sequence[Column], rows: Sequence[SheetRow]) -> bool:
    """Whether some number of the sheet has a decimal comma beyond doubt."""
    numbers = {Kind.FIGURE, Kind.MASS, Kind.VOLUME, Kind.FINENESS}
    at = [
        layout.sources[column.name].at
        for column in columns
        if column.kind in numbers and column.name in layout.sources
    ]
    return any(has_decimal_comma(row.cell(each)) for row in rows for each in at if each is not None)


def read_row(
    row: SheetRow, layout: Layout, columns: Sequence[Column], ways: Ways, *, only: str = ""
) -> RowRead:
    """What the row says, column by column; every cell that can't be read is named.

    Columns left empty are left out of the values. `only` reads one column.
    """
    values: dict[str, Any] = {}
    problems: list[RefusalError] = []
    units = {
        column.name: _cell(row, layout.sources.get(column.name)).text
        for column in columns
        if column.kind == Kind.UNIT
    }
    for column in columns:
        if only and column.name != only:
            continue
        source = layout.sources.get(column.name, Source())
        cell = _cell(row, source)
        try:
            refuse_unread(cell, column.name)
            if cell.is_blank:
                if column.required:
                    raise _needed(column)
                continue
            unit = units.get(column.unit_in) or source.unit or column.usual_unit
            values[column.name] = _READERS[column.kind](cell, column, unit, ways)
        except RefusalError as problem:
            problem.field = column.name
            problems.append(problem)
    return RowRead(values, problems)


def header_of(sheet: Sheet, layout: Layout, at: int) -> str:
    return sheet.row(layout.header_row).cell(at).text if layout.header_row else ""


def _cell(row: SheetRow, source: Source | None) -> Cell:
    if source is None:
        return text_cell("")
    return row.cell(source.at) if source.at is not None else text_cell(source.constant)


def _unit_problems(column: Column, source: Source) -> Iterator[RefusalError]:
    if not column.units:
        return
    if source.unit == UNSAID or (not source.unit and not column.usual_unit):
        yield refuse("unit_needed", field=column.name, header=column.header)
    elif source.unit and source.unit not in {unit for unit, _ in column.units}:
        yield refuse(
            "unknown_unit",
            field=column.name,
            value=source.unit,
            what=", ".join((unit for unit, _ in column.units)),
        )


def _needed(column: Column) -> RefusalError:
    return refuse("cell_needed", field=column.name, header=column.header, meaning=column.meaning)


Reader = Callable[[Cell, Column, str, Ways], Any]


def _text(cell: Cell, column: Column, unit: str, ways: Ways) -> str:
    return checked_text(cell.text, field=column.name, limit=column.length_max)


def _choice(cell: Cell, column: Column, unit: str, ways: Ways) -> str:
    return read_choice(cell, column.choices, field=column.name)


def _figure(cell: Cell, column: Column, unit: str, ways: Ways) -> Decimal:
    digits, own = number_and_unit(cell, ways, field=column.name)
    number = parse_decimal(digits, field=column.name, decimals_max=column.decimals_max)
    return number * column.factors.get(_own_unit(own, column) or unit, Decimal(1))


def _own_unit(written: str, column: Column) -> str:
    """The unit written after a figure, as the column calls it; empty when there is none."""
    if not written:
        return ""
    said = unit_word(written).casefold()
    for unit, _ in column.figure_units:
        if unit.casefold() == said:
            return unit
    raise refuse(
        "unknown_unit",
        field=column.name,
        value=written,
        what=", ".join((unit for unit, _ in column.figure_units)),
    )


def _mass(cell: Cell, column: Column, unit: str, ways: Ways) -> int:
    digits, own = number_and_unit(cell, ways, field=column.name)
    symbol = mass_unit(own or unit, field=column.name)
    return mass_to_ug(digits, symbol, field=column.name, positive=not column.may_be_zero)


def _volume(cell: Cell, column: Column, unit: str, ways: Ways) -> int:
    digits, own = number_and_unit(cell, ways, field=column.name)
    return volume_to_ul(digits, own or unit, field=column.name)


def _fineness(cell: Cell, column: Column, unit: str, ways: Ways) -> Decimal:
    digits, own = number_and_unit(cell, ways, field=column.name)
    return parse_fineness(digits, unit_word(own) or unit, field=column.name)


def _moment(cell: Cell, column: Column, unit: str, ways: Ways) -> Any:
    return read_moment(cell, ways, field=column.name)


def _yes_no(cell: Cell, column: Column, unit: str, ways: Ways) -> bool:
    return read_yes_no(cell, field=column.name)


def _unit(cell: Cell, column: Column, unit: str, ways: Ways) -> str:
    return mass_unit(cell.text, field=column.name)


_READERS: Final[Mapping[Kind, Reader]] = {
    Kind.TEXT: _text,
    Kind.NAME: _text,
    Kind.CHOICE: _choice,
    Kind.FIGURE: _figure,
    Kind.MASS: _mass,
    Kind.VOLUME: _volume,
    Kind.FINENESS: _fineness,
    Kind.MOMENT: _moment,
    Kind.YES_NO: _yes_no,
    Kind.UNIT: _unit,
}
