"""Rows of an API request as a sheet, so that they go the very way that files go."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any, Final

from config.refusals import RefusalError, refuse
from lots.sheets.cells import BLANK, NUMBER, Cell, Sheet, SheetRow, text_cell
from lots.sheets.columns import Layout, Source
from lots.sheets.record import digest_of
from lots.sheets.subjects import Subject

# A request records within itself, so it takes fewer rows than a file does on the pages.
ROWS_MAX: Final = 2000


def sheet_of_rows(subject: Subject, rows: Sequence[Any]) -> tuple[Sheet, Layout, str]:
    """The rows as a sheet without headings, its layout, and the digest of what was sent.

    Row 1 is the first. Raises InvalidError `too_many_rows`, `not_a_row`, `unknown_column`,
    `not_a_cell`.
    """
    check_row_count(len(rows))
    names = [column.name for column in subject.columns]
    read = tuple(_row(number, row, names) for number, row in enumerate(rows, 1))
    used = {at for row in read for at, cell in enumerate(row.cells) if not cell.is_blank}
    layout = Layout(0, {names[at]: Source(at=at) for at in sorted(used)})
    sent = json.dumps([subject.name, rows], sort_keys=True, default=str)
    return Sheet(read), layout, digest_of(sent.encode())


def check_row_count(count: int) -> None:
    if count > ROWS_MAX:
        raise refuse("too_many_rows:request_rows", field="rows", value=count, rows_max=ROWS_MAX)


def layout_with(layout: Layout, given: Mapping[str, Any]) -> Layout:
    """The layout with what the request says of single columns.

    `given` is `{"gross": {"column": 4, "unit": "ozt"}, "place": {"value": "feed-shelf"}}`, columns
    counted from 1. Raises InvalidError `not_a_column`.
    """
    sources = dict(layout.sources)
    for name, said in given.items():
        if not isinstance(said, Mapping) or not set(said) <= {"column", "value", "unit"}:
            raise _not_a_column(name, said)
        before = sources.get(name, Source())
        at, value, unit = said.get("column"), said.get("value", ""), said.get("unit", before.unit)
        is_whole = isinstance(at, int) and not isinstance(at, bool) and at > 0
        if (at is not None and not is_whole) or not (
            isinstance(value, str | int | Decimal) and isinstance(unit, str)
        ):
            raise _not_a_column(name, said)
        if "value" in said:
            sources[name] = Source(None, str(value)[:200], unit)
        else:
            sources[name] = Source(before.at if at is None else at - 1, before.constant, unit)
    return Layout(layout.header_row, sources, layout.date_order, layout.decimal_sign)


def _row(number: int, row: Any, names: Sequence[str]) -> SheetRow:
    if not isinstance(row, Mapping):
        raise refuse("not_a_row", field=f"rows.{number}", value=row)
    unknown = sorted(set(row) - set(names))
    if unknown:
        raise refuse(
            "unknown_column:request_rows",
            field=f"rows.{number}.{str(unknown[0])[:40]}",
            value=unknown[0],
            names=", ".join(names),
        )
    return SheetRow(number, tuple(_cell(number, name, row.get(name)) for name in names))


def _cell(number: int, name: str, value: Any) -> Cell:
    if value is None:
        return BLANK
    if isinstance(value, bool):
        return Cell(text="yes" if value else "no")
    if isinstance(value, int):
        return Cell(NUMBER, str(value))
    if isinstance(value, Decimal) and abs(value.adjusted()) <= 30:
        return Cell(NUMBER, f"{value:f}")
    if isinstance(value, str):
        return text_cell(value[:2000])
    raise refuse("not_a_cell", field=f"rows.{number}.{name}", value=value)


def _not_a_column(name: Any, said: Any) -> RefusalError:
    return refuse("not_a_column:request_rows", field=f"columns.{str(name)[:40]}", value=said)
