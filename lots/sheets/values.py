"""What one cell of an import says: numbers, masses, moments and choices, or why it can't be read.

Nothing is guessed: a number or a day that two people would read differently is refused.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from config.refusals import RefusalError, refuse
from lots import written
from lots.sheets.cells import FAULT, FORMULA, MOMENT, NUMBER, TEXT, Cell
from lots.units import canonical_unit

DAY_MONTH: Final = "dmy"
MONTH_DAY: Final = "mdy"

# Days from 1954 to 2119: below and above, a bare number in a column of dates is a slip.
_SERIAL_MIN: Final = 20_000
_SERIAL_MAX: Final = 80_000
_EPOCH_1900: Final = dt.datetime(1899, 12, 30)  # noqa: DTZ001 - a serial has no zone of its own
_EPOCH_1904: Final = dt.datetime(1904, 1, 1)  # noqa: DTZ001
_TIME: Final = r"(?:[T ]+([0-9]{1,2}):([0-9]{2})(?::([0-9]{2})(?:\.[0-9]+)?)?)?"
_ISO: Final = re.compile(r"([0-9]{4})-([0-9]{1,2})-([0-9]{1,2})" + _TIME)
_PACKED_ISO: Final = re.compile(r"([0-9]{4})([0-9]{2})([0-9]{2})" + _TIME)
_YEAR_FIRST: Final = re.compile(r"([0-9]{4})[/.]([0-9]{1,2})[/.]([0-9]{1,2})" + _TIME)
_YEAR_LAST: Final = re.compile(r"([0-9]{1,2})[/.-]([0-9]{1,2})[/.-]([0-9]{4})" + _TIME)
_SHORT_YEAR: Final = re.compile(r"[0-9]{1,2}[/.-][0-9]{1,2}[/.-][0-9]{2}(?:[T ].*)?")
_NAMED: Final = re.compile(r"([0-9]{1,2})[ .-]+([A-Za-z]{3,9})[ .,-]+([0-9]{4})" + _TIME)
_SERIAL: Final = re.compile(r"[0-9]{5}(?:\.[0-9]+)?")
_MONTHS: Final = (
    "jan",
    "feb",
    "mar",
    "apr",
    "may",
    "jun",
    "jul",
    "aug",
    "sep",
    "oct",
    "nov",
    "dec",
)
_YES: Final = frozenset({"yes", "y", "true", "x", "1"})
_NO: Final = frozenset({"no", "n", "false", "0", ""})


@dataclass(frozen=True)
class Ways:
    """How the user's sheet writes what can be written in several ways.

    `date_order` and `decimal_sign` are empty until the user has said; `commas_seen` is set when
    other cells of the sheet use a decimal comma beyond doubt.
    """

    zone: dt.tzinfo
    date_order: str = ""
    decimal_sign: str = ""
    from_1904: bool = False
    commas_seen: bool = False


def refuse_unread(cell: Cell, field: str) -> None:
    """Refuses a cell that holds a formula (`formula_not_read`) or its failure (`cell_error`)."""
    if cell.kind == FORMULA:
        raise refuse("formula_not_read", field=field, value=cell.text)
    if cell.kind == FAULT:
        raise refuse("cell_error", field=field, value=cell.text)


def number_and_unit(cell: Cell, ways: Ways, *, field: str) -> tuple[str, str]:
    """The cell's number as plain digits with a point, and the unit written after it, if any.

    Raises as `lots.written.plain_number`.
    """
    found = written.number_and_unit(cell.text)
    if found is None or cell.kind not in {TEXT, NUMBER}:
        raise _not_a_number(cell, field)
    if cell.kind == NUMBER:
        return found
    digits = written.plain_number(
        found[0],
        field=field,
        sign=ways.decimal_sign,
        commas_seen=ways.commas_seen,
        in_sheet=True,
    )
    return digits, found[1]


def has_decimal_comma(cell: Cell) -> bool:
    """Whether the cell's number can only be read with its comma as the decimal sign."""
    return cell.kind == TEXT and written.has_decimal_comma(cell.text)


def mass_unit(text: str, *, field: str) -> str:
    """The unit's symbol. Raises as `canonical_unit`, and `unit_needed` when there is none."""
    if not text:
        raise refuse("unit_needed:values", field=field)
    return canonical_unit(text, field=field)


def read_choice(cell: Cell, choices: Sequence[tuple[str, str]], *, field: str) -> str:
    """The choice that the cell names by its word or its label, whatever the case."""
    wanted = _plain_word(cell.text)
    for value, label in choices:
        if wanted in {_plain_word(value), _plain_word(label)}:
            return value
    raise refuse(
        "unknown_choice:values",
        field=field,
        value=cell.text,
        what=", ".join((label for _, label in choices)),
    )


def read_yes_no(cell: Cell, *, field: str) -> bool:
    word = cell.text.casefold()
    if word in _YES:
        return True
    if word in _NO:
        return False
    raise refuse("not_yes_or_no", field=field, value=cell.text)


def read_moment(cell: Cell, ways: Ways, *, field: str) -> dt.datetime:
    """The moment, aware; without an offset it is on the clocks of the works, a day its midnight.

    Raises InvalidError `ambiguous_date` (03/04/2026 without an order of day and month, or a year of
    two digits), `ambiguous_time` (an hour the clocks showed twice, or never), `not_a_date`.
    """
    if cell.kind == MOMENT:
        return _on_clock(dt.datetime.fromisoformat(cell.text), cell, ways, field)
    if _SERIAL.fullmatch(cell.text):
        return _on_clock(_from_serial(cell, ways, field), cell, ways, field)
    if cell.kind == NUMBER and not _PACKED_ISO.fullmatch(cell.text):
        raise _not_a_date(cell, field)
    with_offset = _with_offset(cell.text)
    if with_offset is not None:
        return _in_years(with_offset, cell, field)
    return _on_clock(_written(cell, ways, field), cell, ways, field)


def _from_serial(cell: Cell, ways: Ways, field: str) -> dt.datetime:
    """Days since the workbook's epoch, to the second.

    The 1900 system counts a 29 February 1900 that never was, so its epoch is taken two days before
    its first day; later days come out right (from memory: ECMA-376 Part 1, 18.17.4.1).
    """
    days = Decimal(cell.text)
    if not _SERIAL_MIN <= days <= _SERIAL_MAX:
        raise _not_a_date(cell, field)
    epoch = _EPOCH_1904 if ways.from_1904 else _EPOCH_1900
    return epoch + dt.timedelta(seconds=round(days * 86_400))


def _with_offset(text: str) -> dt.datetime | None:
    """An ISO moment that says its own offset; None for anything else."""
    try:
        moment = dt.datetime.fromisoformat(text)
    except ValueError:
        return None
    return moment if moment.tzinfo else None


def _written(cell: Cell, ways: Ways, field: str) -> dt.datetime:
    text = " ".join(cell.text.split())
    for pattern in (_ISO, _PACKED_ISO, _YEAR_FIRST):
        match = pattern.fullmatch(text)
        if match:
            year, month, day, *time = match.groups()
            return _moment((year, month, day), time, cell, field)
    match = _YEAR_LAST.fullmatch(text)
    if match:
        first, second, year, *time = match.groups()
        return _moment((year, *_month_day(first, second, cell, ways, field)), time, cell, field)
    match = _NAMED.fullmatch(text)
    if match and match[2][:3].casefold() in _MONTHS:
        day, name, year, *time = match.groups()
        month = str(_MONTHS.index(name[:3].casefold()) + 1)
        return _moment((year, month, day), time, cell, field)
    if _SHORT_YEAR.fullmatch(text):
        raise _ambiguous_date(cell, field, "Write the year with four digits, as in 2026-04-03.")
    raise _not_a_date(cell, field)


def _month_day(first: str, second: str, cell: Cell, ways: Ways, field: str) -> tuple[str, str]:
    """Which of two figures is the month; one above twelve, or two alike, leave no doubt."""
    if ways.date_order == DAY_MONTH:
        return second, first
    if ways.date_order == MONTH_DAY:
        return first, second
    if int(first) > 12:
        return second, first
    if int(second) > 12 or int(first) == int(second):
        return first, second
    raise _ambiguous_date(
        cell, field, "Say whether the day or the month comes first, or write it as in 2026-04-03."
    )


def _moment(
    day: tuple[str, str, str], time: Iterable[str | None], cell: Cell, field: str
) -> dt.datetime:
    hour, minute, second = (int(each or 0) for each in time)
    year, month, of_month = (int(each) for each in day)
    try:
        return dt.datetime(year, month, of_month, hour, minute, second)  # noqa: DTZ001
    except ValueError as error:
        raise _not_a_date(cell, field) from error


def _on_clock(naive: dt.datetime, cell: Cell, ways: Ways, field: str) -> dt.datetime:
    """The moment when the works' clocks show `naive`, which must be one moment and no other."""
    naive = _in_years(naive, cell, field)
    first, second = (naive.replace(tzinfo=ways.zone, fold=fold) for fold in (0, 1))
    if first.utcoffset() != second.utcoffset():
        raise refuse("ambiguous_time", field=field, value=cell.text)
    return first


def _in_years(moment: dt.datetime, cell: Cell, field: str) -> dt.datetime:
    """The moment, when it lies in the years that lots are numbered in."""
    if not 2000 <= moment.year <= 2099:
        raise _not_a_date(cell, field)
    return moment


def _plain_word(text: str) -> str:
    return " ".join(text.replace("_", " ").replace("-", " ").casefold().split())


def _not_a_number(cell: Cell, field: str) -> RefusalError:
    return refuse("not_a_number:values", field=field, value=cell.text)


def _not_a_date(cell: Cell, field: str) -> RefusalError:
    return refuse("not_a_date", field=field, value=cell.text)


def _ambiguous_date(cell: Cell, field: str, remedy: str) -> RefusalError:
    return refuse("ambiguous_date", field=field, value=cell.text, it=remedy)
