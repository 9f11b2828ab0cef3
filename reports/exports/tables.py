"""A report as a table declared once: columns, rows, totals. JSON, CSV and sheets all come from it.

A mass column holds micrograms and is shown in grams and in troy ounces.
"""

from __future__ import annotations

import csv
import datetime as dt
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from enum import Enum
from operator import attrgetter
from typing import Any, Final, TextIO

from django.utils import timezone

from config.sheet_text import fit_for_xml, neutralised, neutralised_in_csv
from lots.queries.works_zone import works_zone
from lots.units import ug_to_g
from reports.conventions import ounces_of, percent_of

Row = Mapping[str, Any]
TOTAL: Final = "Total"
TEXT_MAX: Final = 32_767


class Kind(Enum):
    """What a column holds, and so how it is written."""

    TEXT = "text"
    WHOLE = "whole"
    MASS = "mass"
    VOLUME = "volume"
    PERCENT = "percent"
    # A decimal that is shown with as many decimals as it has.
    FIGURE = "figure"
    MONEY = "money"
    DATE = "date"
    MOMENT = "moment"


_UNIT: Final = {Kind.MASS: "_ug", Kind.VOLUME: "_ul"}


@dataclass(frozen=True)
class Ratio:
    """A percentage of one mass column by another of the same row."""

    part: str
    whole: str


@dataclass(frozen=True)
class Linked:
    """A mass that is other rows' masses added up: a live formula in the workbook.

    `terms` are signs and the keys of rows written before, in the same column.
    """

    mass_ug: int
    terms: Sequence[tuple[int, str]]


@dataclass(frozen=True)
class Running:
    """A balance: that of the row before, and what this row's column `change` adds to it.

    A live formula in the workbook. `before` is the key of the row before.
    """

    value: int | Decimal
    before: str
    change: str


@dataclass(frozen=True)
class Summed:
    """The sum of `column` from the row with the key `first` to the row above: a live formula."""

    value: int | Decimal
    first: str
    column: str


@dataclass(frozen=True)
class Column:
    """One column: its key in JSON, its header, what it holds, and where that is found in a row.

    `of` is a path such as "lot.code" or a function of the row; left out, it is found under `name`,
    of a mass `<name>_ug`. In a workbook `is_totalled` sums it on the total rows and `is_counted`
    counts their rows there; `ratio` makes a percentage a live formula.
    """

    name: str
    header: str
    kind: Kind = Kind.TEXT
    width: int = 14
    is_totalled: bool = False
    is_counted: bool = False
    ratio: Ratio | None = None
    of: str | Callable[[Any], Any] = ""

    def value(self, row: Any) -> Any:
        if callable(self.of):
            return self.of(row)
        found = attrgetter(self.of or f"{self.name}{_UNIT.get(self.kind, '')}")(row)
        return found() if callable(found) else found


def cells_of(columns: Iterable[Column], row: Any) -> dict[str, Any]:
    """What the columns find in a row, by their names."""
    return {column.name: column.value(row) for column in columns if column.ratio is None}


def in_digits(at: str, form: str) -> Callable[[Any], str | None]:
    """A figure of a row as text, in a format such as ".3g"."""

    def said(row: Any) -> str | None:
        value = getattr(row, at)
        return None if value is None else format(value, form)

    return said


@dataclass(frozen=True)
class Table:
    """One sheet. Rows are records, or mappings by column name; `_key` names a row for `Linked`.

    `total_by` names the column whose every value gets a total row of its own (metal, mostly).
    """

    name: str
    title: str
    columns: Sequence[Column]
    rows: Iterable[Any]
    notes: Sequence[str] = ()
    total_by: str = ""

    def cells(self) -> Iterator[Row]:
        """The rows by column name, read again each time."""
        for row in self.rows:
            yield row if isinstance(row, Mapping) else cells_of(self.columns, row)


def plain_text(value: object) -> str:
    """Text that a spreadsheet shows and never runs: neutralised, cut to a cell, fit for XML."""
    return neutralised(fit_for_xml(str(value)))[:TEXT_MAX]


def plain_csv_text(value: object) -> str:
    """The same for a CSV, whatever sign a program takes for the end of a cell."""
    return neutralised_in_csv(fit_for_xml(str(value)))[:TEXT_MAX]


def plain_of(value: Any) -> Any:
    """The figure itself, where a row gives the rows it is reckoned from."""
    if isinstance(value, Linked):
        return value.mass_ug
    return value.value if isinstance(value, Running | Summed) else value


def local(moment: dt.datetime) -> dt.datetime:
    """The moment on the works' clocks, aware."""
    return timezone.localtime(moment, works_zone())


def percent_in(row: Row, column: Column) -> Decimal | None:
    """A percentage: given in the row, or worked out from the two masses that it compares."""
    if column.ratio is None:
        value: Decimal | None = row.get(column.name)
        return value
    part, whole = plain_of(row[column.ratio.part]), plain_of(row[column.ratio.whole])
    return None if part is None or whole is None else percent_of(part, whole)


def totals_of(table: Table, rows: Iterable[Row]) -> list[dict[str, Any]]:
    """One total row per value of `total_by`, in order of first appearance."""
    totalled = [column for column in table.columns if column.is_totalled]
    sums: dict[Any, dict[str, Any]] = {}
    for row in rows if table.total_by else ():
        group = row[table.total_by]
        total = sums.setdefault(
            group, {table.total_by: group, **{column.name: None for column in totalled}}
        )
        for column in totalled:
            value = plain_of(row[column.name])
            if value is not None:
                total[column.name] = value + (total[column.name] or 0)
    return list(sums.values())


def as_json(table: Table) -> dict[str, Any]:
    """The table as JSON-ready data: whole micrograms as integers, decimals as text."""
    rows = list(table.cells())
    return {
        "name": table.name,
        "title": table.title,
        "notes": list(table.notes),
        "rows": [_shown(table.columns, row) for row in rows],
        "totals": [
            _shown([column for column in table.columns if column.name in total], total)
            for total in totals_of(table, rows)
        ],
    }


def write_csv(table: Table, file: TextIO) -> None:
    """The table's rows, without notes and totals, so that another program can read them."""
    writer = csv.writer(file, lineterminator="\r\n")
    names = [name for column in table.columns for name in json_names(column)]
    writer.writerow(names)
    texts = {column.name for column in table.columns if column.kind == Kind.TEXT}
    for row in table.cells():
        shown = _shown(table.columns, row)
        writer.writerow(
            ["" if shown[name] is None else _csv(shown[name], name in texts) for name in names]
        )


def json_names(column: Column) -> tuple[str, ...]:
    """The keys a column has in JSON and the headings it has in CSV."""
    if column.kind == Kind.MASS:
        return f"{column.name}_ug", f"{column.name}_g", f"{column.name}_ozt"
    if column.kind == Kind.VOLUME:
        return f"{column.name}_ul", f"{column.name}_l"
    return (column.name,)


def _csv(value: object, is_text: bool) -> object:
    return plain_csv_text(value) if is_text else value


def _shown(columns: Sequence[Column], row: Row) -> dict[str, Any]:
    return dict(pair for column in columns for pair in _pairs(column, row))


def _pairs(column: Column, row: Row) -> Iterator[tuple[str, Any]]:
    names = json_names(column)
    if column.kind == Kind.PERCENT:
        percent = percent_in(row, column)
        yield column.name, None if percent is None else str(percent)
        return
    value = plain_of(row.get(column.name))
    if value is None:
        yield from ((name, None) for name in names)
    elif column.kind == Kind.MASS:
        yield from zip(names, (value, str(ug_to_g(value)), str(ounces_of(value))), strict=True)
    elif column.kind == Kind.VOLUME:
        yield from zip(names, (value, str(ug_to_g(value))), strict=True)
    elif column.kind in {Kind.DATE, Kind.MOMENT}:
        yield column.name, (local(value) if column.kind == Kind.MOMENT else value).isoformat()
    else:
        yield column.name, value if isinstance(value, int) else str(value)
