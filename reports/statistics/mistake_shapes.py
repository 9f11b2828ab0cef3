"""What kind of slip would turn the value that fits into the value that was written?

The shapes are common practice, no source: swapped digits, a tare left on or taken twice, a wrong
unit, a slipped decimal point, per cent written where parts per thousand were meant.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from enum import Enum
from typing import Final

from lots.units import UG_PER_UNIT, UNIT_NAMES

# Beyond this many standard uncertainties a recorded value needs an explanation, and an
# explanation that misses by more is none.
MISFIT_MIN: Final = 3.0
FIT_MAX: Final = 2.5
CONFUSED_UNITS: Final = ("g", "kg", "ozt", "ozav", "lb", "dwt", "gr")
SLIPS: Final = (-3, -2, -1, 1, 2, 3)
DIGITS_MAX: Final = 12


class Shape(Enum):
    """The kinds of mistake, and how often each is met relative to the others (our judgement)."""

    TARE_NOT_TAKEN = "the tare was not taken off"
    TARE_TAKEN_TWICE = "the tare was taken off twice"
    WRONG_UNIT = "the figure was in another unit"
    PER_CENT = "per cent was written for parts per thousand"
    PER_MILLE = "parts per thousand were written for per cent"
    TRANSPOSED = "two neighbouring digits were swapped"
    DECIMAL_SLIP = "the decimal point slipped"


PRIOR: Final[dict[Shape, float]] = {
    Shape.TARE_NOT_TAKEN: 3.0,
    Shape.TARE_TAKEN_TWICE: 1.0,
    Shape.WRONG_UNIT: 2.0,
    Shape.PER_CENT: 3.0,
    Shape.PER_MILLE: 3.0,
    Shape.TRANSPOSED: 2.0,
    Shape.DECIMAL_SLIP: 2.0,
}


@dataclass(frozen=True)
class Explanation:
    """One slip and the value it would have been without it, in the recorded unit.

    `misfit` is its distance from the implied value in standard uncertainties; `weight` compares
    the explanations given (they sum to 1). Nothing is corrected by it: it says what to look at.
    """

    shape: Shape
    value: Decimal
    detail: str
    misfit: float
    weight: float

    def sentence(self, name: str, unit: str) -> str:
        """Plain words for the page: what to check on the weighing slip or the certificate."""
        return f"{name}: perhaps {self.detail}; it would then read {self.value:f} {unit}"


def explain_mass(
    recorded: Decimal, unit: str, implied: float, implied_u: float, *, tare: Decimal | None = None
) -> tuple[Explanation, ...]:
    """Explanations of a recorded net mass, likeliest first; all figures in `unit`.

    `implied` with `implied_u` is what the other measurements say, recorded error not included.
    Empty when the recorded value already fits, or when no shape does. Raises KeyError for a unit
    not in `lots.units` and ValueError for an uncertainty that is not positive: our own mistakes.
    """
    slips = [*_tares(recorded, tare), *_units(recorded, unit), *_digits(recorded)]
    return _ranked(recorded, implied, implied_u, slips)


def explain_fineness(
    recorded: Decimal, implied: float, implied_u: float
) -> tuple[Explanation, ...]:
    """Explanations of a recorded fineness in parts per thousand, likeliest first."""
    slips = [
        (Shape.PER_CENT, recorded * 10, "per cent was written for parts per thousand"),
        (Shape.PER_MILLE, recorded / 10, "parts per thousand were taken for per cent"),
        *(
            slip
            for slip in _digits(recorded)
            if slip[1] not in (recorded * 10, recorded / 10) and slip[1] <= 1000
        ),
    ]
    return _ranked(recorded, implied, implied_u, slips)


Slip = tuple[Shape, Decimal, str]


def _tares(recorded: Decimal, tare: Decimal | None) -> Iterator[Slip]:
    if tare is not None and tare > 0:
        yield Shape.TARE_NOT_TAKEN, recorded - tare, f"the tare of {tare:f} was not taken off"
        yield Shape.TARE_TAKEN_TWICE, recorded + tare, f"the tare of {tare:f} was taken off twice"


def _units(recorded: Decimal, unit: str) -> Iterator[Slip]:
    """The balance showed another unit than the one written beside the figure."""
    for other in CONFUSED_UNITS:
        if UG_PER_UNIT[other] != UG_PER_UNIT[unit]:
            value = recorded * UG_PER_UNIT[other] / UG_PER_UNIT[unit]
            shown = _to_significant(value, len(recorded.as_tuple().digits) + 2)
            yield Shape.WRONG_UNIT, shown, f"the figure was in {UNIT_NAMES[other]}s"


def _to_significant(value: Decimal, digits: int) -> Decimal:
    step = Decimal(1).scaleb(value.adjusted() + 1 - digits) if value else Decimal(1)
    return value.quantize(step)


def _digits(recorded: Decimal) -> Iterator[Slip]:
    for places in SLIPS:
        moved = "left" if places > 0 else "right"
        count = abs(places)
        word = "place" if count == 1 else "places"
        yield (
            Shape.DECIMAL_SLIP,
            recorded.scaleb(places),
            f"the decimal point slipped {count} {word} to the {moved}",
        )
    sign, digits, _ = recorded.as_tuple()
    decimals = -int(recorded.as_tuple().exponent)
    if len(digits) > DIGITS_MAX:
        return
    for i in range(len(digits) - 1):
        if digits[i] != digits[i + 1]:
            swapped = (*digits[:i], digits[i + 1], digits[i], *digits[i + 2 :])
            detail = (
                f"the digits {digits[i + 1]}{digits[i]} were written as {digits[i]}{digits[i + 1]}"
            )
            yield Shape.TRANSPOSED, Decimal((sign, swapped, -decimals)), detail


def _ranked(
    recorded: Decimal, implied: float, implied_u: float, slips: list[Slip]
) -> tuple[Explanation, ...]:
    if not implied_u > 0:
        raise ValueError("an implied value needs a standard uncertainty above zero")
    if abs(float(recorded) - implied) <= MISFIT_MIN * implied_u:
        return ()
    fits = []
    for shape, value, detail in slips:
        misfit = (float(value) - implied) / implied_u
        if value > 0 and abs(misfit) <= FIT_MAX:
            # Several swaps of one figure share the chance of a swap, and so with units and slips.
            share = PRIOR[shape] / sum(other[0] is shape for other in slips)
            fits.append((share * math.exp(-misfit * misfit / 2), shape, value, detail, misfit))
    total = sum(fit[0] for fit in fits)
    fits.sort(key=lambda fit: -fit[0])
    return tuple(
        Explanation(shape=shape, value=value, detail=detail, misfit=misfit, weight=share / total)
        for share, shape, value, detail, misfit in fits
    )
