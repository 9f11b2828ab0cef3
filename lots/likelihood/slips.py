"""What a hand makes of a figure: the slips that may lie between what was meant and what was typed.

The kinds are common practice, no source. All work backwards: from what was typed to what may have
been meant.
"""

from __future__ import annotations

import calendar
import datetime as dt
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

POINT: Final = "decimal point"
UNIT: Final = "unit"
DOUBLED: Final = "a digit twice"
SWAPPED: Final = "two digits swapped"
EXTRA: Final = "a digit too many"
MISSING: Final = "a digit missing"
# The likelier come first; a missing digit may be any, so these come last.
_RANKS: Final = (POINT, UNIT, DOUBLED, SWAPPED, EXTRA, MISSING)
_POWERS: Final = (1, -1, 3, -3, 2, -2)


@dataclass(frozen=True)
class Slip:
    """What may have been meant: `value` in the unit typed, or the same `number` in `unit`."""

    kind: str
    value: Decimal
    number: Decimal
    unit: str = ""

    @property
    def rank(self) -> int:
        return _RANKS.index(self.kind)


def number_slips(typed: Decimal, others: Sequence[tuple[str, Decimal]] = ()) -> Iterator[Slip]:
    """Every figure that one slip makes into `typed`; `others`: units and their size in its own."""
    for power in _POWERS:
        yield _same(POINT, typed.scaleb(power))
    for unit, size in others:
        yield Slip(UNIT, typed * size, typed, unit)
    sign, digits, exponent = typed.as_tuple()
    assert isinstance(exponent, int), "a figure that is recorded is a number"
    noughts = max(0, exponent)
    plain = (*digits, *(0,) * noughts)
    for kind, changed in _changed(plain):
        if changed != plain:
            yield _same(kind, Decimal((sign, changed or (0,), min(0, exponent))))


def _same(kind: str, value: Decimal) -> Slip:
    return Slip(kind, value, value)


def _changed(digits: tuple[int, ...]) -> Iterator[tuple[str, tuple[int, ...]]]:
    for at, digit in enumerate(digits):
        before, after = digits[:at], digits[at + 1 :]
        yield (DOUBLED if digits[at + 1 : at + 2] == (digit,) else EXTRA), before + after
        if after:
            yield SWAPPED, (*before, after[0], digit, *after[1:])
    for at in range(len(digits) + 1):
        for digit in range(10):
            yield MISSING, (*digits[:at], digit, *digits[at:])


def moment_slips(typed: dt.datetime) -> Iterator[tuple[str, dt.datetime]]:
    """Moments that may have been meant, the likelier first; `typed` in the zone it is written."""
    yield "the day after", typed + dt.timedelta(days=1)
    yield "the day before", typed - dt.timedelta(days=1)
    yield "afternoon for morning", typed + dt.timedelta(hours=12)
    yield "morning for afternoon", typed - dt.timedelta(hours=12)
    yield "a week later", typed + dt.timedelta(days=7)
    yield "a week earlier", typed - dt.timedelta(days=7)
    for words, months in (
        ("the month after", 1),
        ("the month before", -1),
        ("the year after", 12),
        ("the year before", -12),
    ):
        yield words, _months_on(typed, months)
    with suppress(ValueError):
        yield "day and month swapped", typed.replace(day=typed.month, month=typed.day)


def _months_on(moment: dt.datetime, months: int) -> dt.datetime:
    count = moment.year * 12 + moment.month - 1 + months
    year, month = divmod(count, 12)
    last = calendar.monthrange(year, month + 1)[1]
    return moment.replace(year=year, month=month + 1, day=min(moment.day, last))
