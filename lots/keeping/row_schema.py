"""JSON Schema (draft 2020-12) of one row of a table, for whoever reads an export."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from lots.ledger.row_text import INTEGER_MAX, Column, Kind

DRAFT: Final = "https://json-schema.org/draft/2020-12/schema"
_READING: Final = (
    "One line of the CSV file as an object: whole numbers and true/false as such, JSON cells "
    "parsed, everything else as its text. An empty cell is null, except in a column of plain text, "
    "where it is an empty text. Columns come in the order of the properties."
)


def row_schema(table: str, columns: Sequence[Column]) -> dict[str, Any]:
    """The schema of a row of `table`, with which column is the key and where keys point to."""
    return {
        "$schema": DRAFT,
        "title": table,
        "description": _READING,
        "type": "object",
        "properties": {column.name: _cell(column) for column in columns},
        "required": [column.name for column in columns],
        "additionalProperties": False,
    }


def _cell(column: Column) -> dict[str, Any]:
    cell = _kind(column)
    if column.is_nullable and "type" in cell:
        cell["type"] = [cell["type"], "null"]
    if column.is_key:
        cell["$comment"] = "primary key"
    if column.references:
        cell["$comment"] = f"{cell.get('$comment', 'key')} of {column.references}"
    return cell


def _kind(column: Column) -> dict[str, Any]:
    if column.kind is Kind.INTEGER:
        return {"type": "integer", "minimum": -INTEGER_MAX - 1, "maximum": INTEGER_MAX}
    if column.kind is Kind.DECIMAL:
        whole = max(1, column.digits - column.decimals)
        places = rf"\.[0-9]{{{column.decimals}}}" if column.decimals else ""
        return {"type": "string", "pattern": rf"^-?[0-9]{{1,{whole}}}{places}$"}
    if column.kind is Kind.NUMBER:
        return {"type": "number"}
    if column.kind is Kind.BOOLEAN:
        return {"type": "boolean"}
    if column.kind is Kind.DATE:
        return {"type": "string", "format": "date"}
    if column.kind is Kind.MOMENT:
        return {
            "type": "string",
            "format": "date-time",
            "pattern": r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}Z$",
        }
    if column.kind is Kind.TEXT:
        limit = {} if column.length_max is None else {"maxLength": column.length_max}
        return {"type": "string", **limit}
    return {}
