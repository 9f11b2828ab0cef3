"""What to say of a reading that does not fit: how far off, what to do first, which slip it may be.

Plain values in, text out. Nothing is corrected by it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from reports.statistics.mistake_shapes import (
    PRIOR,
    Explanation,
    Shape,
    explain_fineness,
    explain_mass,
)
from reports.statistics.suspects import plain_words

# What the readings are counted as when several fit equally: a measurement is doubted before a
# statement, and a statement before an allowance.
ORDER: Final = {"weighing": 0, "assay": 0, "volume": 0, "coulombs": 0, "stated": 1, "earlier": 1}
ALLOWANCE: Final = 2
_TARES: Final = frozenset({Shape.TARE_NOT_TAKEN, Shape.TARE_TAKEN_TWICE})
_DIGITS: Final = frozenset({Shape.TRANSPOSED, Shape.DECIMAL_SLIP})
_LEAST: Final = {"efficiency": 0.0, "loss": -math.inf, "side": -math.inf}
_MOST: Final = {"efficiency": 1.05}
_ADVICE: Final = {
    "weighing": "re-weigh this lot first",
    "volume": "measure this volume again first",
    "assay": "have this lot assayed again first",
    "coulombs": "look at the ammeter and at this run's readings first",
    "stated": "look at the slip or certificate that it was taken from first",
    "earlier": "look at what was booked of this lot in the months before first",
}


@dataclass(frozen=True)
class Recorded:
    """A suspected reading as it was entered; figures in `unit`, `tare` None where there is none.

    `read` is the gross of a weighing with a tare, else the figure itself, and `implied` what the
    other measurements say that figure should be, with standard uncertainty `implied_u`.
    """

    kind: str
    name: str
    unit: str
    read: Decimal
    implied: float
    implied_u: float
    tare: Decimal | None = None
    is_at_hand: bool = True


def is_possible(kind: str, unit: str, implied: float) -> bool:
    """Whether a reading could have that value at all: no mass below nothing, no grade above all."""
    most = 1000.0 if kind == "assay" and unit == "ppt" else _MOST.get(kind, math.inf)
    return _LEAST.get(kind, 0.0) <= implied <= most


def sentence(recorded: Recorded) -> str:
    """ "weighing W of lot L at T reads about 351 g low; re-weigh this lot first"."""
    bias = float(recorded.read) - recorded.implied
    if recorded.kind in {"loss", "side", "estimate", "efficiency"}:
        return _allowance_sentence(recorded)
    advice = _ADVICE[recorded.kind]
    if not recorded.is_at_hand and recorded.kind in {"weighing", "assay"}:
        advice = "the lot has gone on since, so look at the slip and at what it became first"
    return plain_words(recorded.name, bias, recorded.implied_u, recorded.unit, advice)


def _allowance_sentence(recorded: Recorded) -> str:
    short = recorded.implied - float(recorded.read)
    size = plain_words("", short, recorded.implied_u, recorded.unit, "").strip(" ;")
    size = size.removeprefix("reads about ").rsplit(" ", 1)[0]
    if recorded.kind == "loss":
        gone = "is missing beyond what is usual" if short > 0 else "is there beyond what went in"
        return f"about {size} {gone}: {recorded.name}; search there first"
    side = "more" if short > 0 else "less"
    return f"{recorded.name}: about {size} {side} than is usual; look at this run first"


def explanations(recorded: Recorded) -> tuple[Explanation, ...]:
    """The slips that would turn the value implied into the one recorded, likeliest first."""
    read, implied, u = recorded.read, recorded.implied, recorded.implied_u
    if recorded.kind == "assay" and recorded.unit == "ppt":
        return explain_fineness(read, implied, u)
    if recorded.kind in {"assay", "volume"}:
        found = explain_mass(read, "g", implied, u)
        return _weighed([each for each in found if each.shape in _DIGITS])
    if recorded.kind != "weighing":
        return ()
    fits = list(explain_mass(read, recorded.unit, implied, u))
    if recorded.tare:
        # Digits and units are slips of what was read, the gross; a tare is a slip of the net.
        net, net_implied = read - recorded.tare, implied - float(recorded.tare)
        by_tare = explain_mass(net, recorded.unit, net_implied, u, tare=recorded.tare)
        fits += [each for each in by_tare if each.shape in _TARES]
    return _weighed(fits)


def _weighed(fits: Sequence[Explanation]) -> tuple[Explanation, ...]:
    """The explanations compared with each other again."""
    shares = [
        PRIOR[each.shape]
        / sum(other.shape is each.shape for other in fits)
        * math.exp(-each.misfit * each.misfit / 2)
        for each in fits
    ]
    whole = sum(shares)
    again = [
        Explanation(each.shape, each.value, each.detail, each.misfit, share / whole)
        for each, share in zip(fits, shares, strict=True)
    ]
    return tuple(sorted(again, key=lambda each: -each.weight))
