"""How a value of a table is written as text: alike in exports, in digests and in seals.

The rules are those that docs/keeping.md gives to readers of an export: RFC 4180 lines in UTF-8, UTC
moments by RFC 3339 with microseconds, decimals with all their places, `true` and `false`, JSON with
sorted keys and no spaces. A value that is not there is an empty field; a text that may be absent is
written as JSON, so that an empty text stays apart from none.
"""

from __future__ import annotations

import datetime as dt
import json
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from typing import Any, Final

LINE_END: Final = "\r\n"
_QUOTED: Final = re.compile(r'[",\r\n]')
_INTEGER: Final = re.compile(r"0|-?[1-9][0-9]*")
_MOMENT: Final = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}Z")
_DATE: Final = re.compile(r"\d{4}-\d\d-\d\d")
# From here on a float is written with an exponent, which a database may store as a whole number.
_WRITTEN_OUT: Final = 1e16
INTEGER_MAX: Final = 2**63 - 1


class Kind(StrEnum):
    """What a column holds."""

    INTEGER = "integer"
    DECIMAL = "decimal"
    NUMBER = "number"
    TEXT = "text"
    BOOLEAN = "boolean"
    DATE = "date"
    MOMENT = "moment"
    JSON = "json"


@dataclass(frozen=True)
class Column:
    """A column by what its texts may be. `references` is the table a key points to."""

    name: str
    kind: Kind
    is_nullable: bool = False
    is_key: bool = False
    decimals: int = 0
    digits: int = 0
    length_max: int | None = None
    references: str = ""


def line(fields: Iterable[str]) -> str:
    """One line of CSV by RFC 4180: a field is quoted only where it must be."""
    return ",".join(map(_field, fields)) + LINE_END


def writer_of(column: Column) -> Callable[[Any], str]:
    """What turns a value of this column into its text."""
    if column.kind is Kind.TEXT:
        return str
    if column.kind is Kind.DECIMAL:
        places = f".{column.decimals}f"
        # Zero has no sign: of the databases one keeps it and one does not.
        return lambda value: "" if value is None else format(value or abs(value), places)
    write = _WRITERS[column.kind]
    return lambda value: "" if value is None else write(value)


def reader_of(column: Column) -> Callable[[str], Any]:
    """What turns a text of this column into its value; ValueError says what is wrong with it."""
    read = _READERS[column.kind]

    def read_cell(text: str) -> Any:
        if not text and column.kind is not Kind.TEXT:
            if column.is_nullable:
                return None
            raise ValueError("a value must be there")
        value = read(text)
        if column.kind is Kind.DECIMAL:
            _check_decimal(column, text, value)
        if column.length_max is not None and isinstance(value, str):
            _check(len(value) <= column.length_max, f"longer than {column.length_max} characters")
        return value

    return read_cell


def canonical_json(value: Any) -> str:
    """JSON that is one text for one value: keys sorted, no spaces, no character escaped needlessly.

    Raises ValueError for what JSON can't say, such as a number that is none.
    """
    return json.dumps(
        _exact(value),
        sort_keys=True,
        separators=(",", ":"),
        ensure_ascii=False,
        allow_nan=False,
    )


def _field(text: str) -> str:
    return '"' + text.replace('"', '""') + '"' if _QUOTED.search(text) else text


def _exact(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _exact(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [_exact(each) for each in value]
    if isinstance(value, float):
        if abs(value) >= _WRITTEN_OUT and value - value == 0:
            return int(Decimal(repr(value)))
        return value if value else 0.0
    return value


def _moment_text(value: dt.datetime) -> str:
    text = value.astimezone(dt.UTC).isoformat(timespec="microseconds")
    return text.replace("+00:00", "Z")


def _check(holds: bool, otherwise: str) -> None:
    if not holds:
        raise ValueError(otherwise)


def _check_decimal(column: Column, text: str, value: Decimal) -> None:
    form = rf"-?(0|[1-9][0-9]*)\.[0-9]{{{column.decimals}}}" if column.decimals else r"-?[0-9]+"
    _check(re.fullmatch(form, text) is not None, f"not a decimal with {column.decimals} places")
    room = 10 ** (column.digits - column.decimals)
    _check(abs(value) < room, f"more than {column.digits} digits")


def _read_integer(text: str) -> int:
    _check(_INTEGER.fullmatch(text) is not None, "not a whole number")
    value = int(text)
    _check(-INTEGER_MAX - 1 <= value <= INTEGER_MAX, "too large a whole number")
    return value


def _read_boolean(text: str) -> bool:
    _check(text in {"true", "false"}, "neither true nor false")
    return text == "true"


def _read_moment(text: str) -> dt.datetime:
    _check(_MOMENT.fullmatch(text) is not None, "not a moment such as 2026-05-04T09:00:00.000000Z")
    return dt.datetime.fromisoformat(text)


def _read_date(text: str) -> dt.date:
    _check(_DATE.fullmatch(text) is not None, "not a day such as 2026-05-04")
    return dt.date.fromisoformat(text)


def _read_number(text: str) -> float:
    value = float(text)
    _check(repr(value) == text and value - value == 0, "not a number in its shortest form")
    return value


def _read_decimal(text: str) -> Decimal:
    _check(re.fullmatch(r"-?[0-9.]+", text) is not None, "not a decimal")
    return Decimal(text)


def _read_json(text: str) -> Any:
    value = json.loads(text)
    _check(canonical_json(value) == text, "JSON that is not written with sorted keys and no spaces")
    return value


_WRITERS: Final[dict[Kind, Callable[[Any], str]]] = {
    Kind.INTEGER: str,
    Kind.NUMBER: repr,
    Kind.BOOLEAN: lambda value: "true" if value else "false",
    Kind.DATE: lambda value: str(value.isoformat()),
    Kind.MOMENT: _moment_text,
    Kind.JSON: canonical_json,
}
_READERS: Final[dict[Kind, Callable[[str], Any]]] = {
    Kind.INTEGER: _read_integer,
    Kind.DECIMAL: _read_decimal,
    Kind.NUMBER: _read_number,
    Kind.TEXT: str,
    Kind.BOOLEAN: _read_boolean,
    Kind.DATE: _read_date,
    Kind.MOMENT: _read_moment,
    Kind.JSON: _read_json,
}
