"""Is a figure in the range that what is known leaves for it? If not: the question to ask.

Plain values in, a question or nothing out. A question is never a refusal: said again, the figure
is recorded.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Final

from lots.likelihood.slips import Slip, moment_slips, number_slips

SHOWN_DIGITS: Final = 4
SUGGESTED_MAX: Final = 6


@dataclass(frozen=True)
class Range:
    """What a figure should lie in, both ends included, and why; an end that is None is open."""

    low: Decimal | None
    high: Decimal | None
    why: str

    def contains(self, value: Decimal) -> bool:
        return (self.low is None or value >= self.low) and (self.high is None or value <= self.high)

    def plus(self, offset: Decimal) -> Range:
        """The same range of a figure that is larger by `offset`."""
        return self.each(lambda end: end + offset)

    def times(self, factor: Decimal) -> Range:
        """The same range in a unit `factor` times smaller."""
        return self.each(lambda end: end * factor)

    def each(self, change: Callable[[Decimal], Decimal]) -> Range:
        low, high = (None if end is None else change(end) for end in (self.low, self.high))
        return replace(self, low=low, high=high)

    def within(self, other: Range) -> Range:
        """What both leave; of two reasons, that of the narrower end is not told apart."""
        lows = [end for end in (self.low, other.low) if end is not None]
        highs = [end for end in (self.high, other.high) if end is not None]
        why = "; ".join(dict.fromkeys(filter(None, (self.why, other.why))))
        return Range(max(lows, default=None), min(highs, default=None), why)


@dataclass(frozen=True)
class Suggestion:
    """What may have been meant: as it would be typed, and the slip that made of it what was.

    `unit` is that of the field where it is typed without one.
    """

    text: str
    slip: str
    unit: str = ""


@dataclass(frozen=True)
class Question:
    """A figure out of its range. `path` is the field as the service calls it."""

    path: str
    given: str
    low: str
    high: str
    why: str
    suggestions: tuple[Suggestion, ...]


@dataclass(frozen=True)
class Held:
    """A figure as typed, in its unit, held against its range.

    `others` are the units it may have been meant in: how large each is in the figure's own unit.
    `with_unit`: the unit is typed with the figure, as of masses.
    """

    path: str
    value: Decimal
    unit: str
    range: Range
    others: tuple[tuple[str, Decimal], ...] = ()
    with_unit: bool = False

    def question(self) -> Question | None:
        """None where the figure is as likely as any."""
        if self.range.contains(self.value):
            return None
        low, high = (_shown(end, self.unit) for end in (self.range.low, self.range.high))
        return Question(
            self.path, _typed(self.value, self.unit), low, high, self.range.why, self._suggested()
        )

    def _suggested(self) -> tuple[Suggestion, ...]:
        fitting = []
        for slip in number_slips(self.value, self.others):
            if self.range.contains(slip.value):
                fitting.append((slip, self._suggestion(slip)))
        best = sorted(fitting, key=lambda each: (each[0].rank, self._off_middle(each[0])))
        by_text = {found.text: found for _, found in reversed(best)}
        order = dict.fromkeys(found.text for _, found in best)
        return tuple(by_text[text] for text in order)[:SUGGESTED_MAX]

    def _suggestion(self, slip: Slip) -> Suggestion:
        """In another unit it is the same number, with that unit behind it."""
        if self.with_unit:
            return Suggestion(_typed(slip.number, slip.unit or self.unit), slip.kind)
        return Suggestion(_typed(slip.value, ""), slip.kind, self.unit)

    def _off_middle(self, slip: Slip) -> Decimal:
        low, high = self.range.low, self.range.high
        if low is None or high is None:
            return Decimal(0)
        return abs(slip.value - (low + high) / 2)


@dataclass(frozen=True)
class HeldMoment:
    """A moment held against its neighbours; `zone` is the one that it is written in."""

    path: str
    value: dt.datetime
    low: dt.datetime
    high: dt.datetime
    why: str
    zone: dt.tzinfo

    def question(self) -> Question | None:
        if self.low <= self.value <= self.high:
            return None
        suggested = [
            Suggestion(self._written(moment), kind)
            for kind, moment in moment_slips(self.value.astimezone(self.zone))
            if self.low <= moment <= self.high
        ]
        low, high, given = map(self._written, (self.low, self.high, self.value))
        return Question(self.path, given, low, high, self.why, tuple(suggested[:SUGGESTED_MAX]))

    def _written(self, moment: dt.datetime) -> str:
        return f"{moment.astimezone(self.zone):%Y-%m-%dT%H:%M}"


def _typed(value: Decimal, unit: str) -> str:
    """As somebody types it: no exponent, no noughts at the end."""
    text = f"{value:f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return f"{text} {unit}".strip()


def _shown(end: Decimal | None, unit: str) -> str:
    return "" if end is None else _typed(Decimal(f"{end:.{SHOWN_DIGITS}g}"), unit)
