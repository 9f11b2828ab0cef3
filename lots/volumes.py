"""How much solution: volumes as people write them, and integer microlitres."""

from __future__ import annotations

from decimal import Decimal
from typing import Final

from config.refusals import InvalidError, refuse
from lots.units import TEXT_MAX, VOLUME_UL_MAX, parse_decimal

UL_PER_UNIT: Final[dict[str, Decimal]] = {
    "ul": Decimal(1),
    "ml": Decimal(1000),
    "l": Decimal(1_000_000),
}


def volume_to_ul(value: object, unit: object, *, field: str = "volume") -> int:
    """Integer microlitres of `value` in `unit`, rounded half-even.

    Raises InvalidError `unknown_unit`, `not_a_number`, `not_positive`, `too_small`, `too_large`.
    """
    symbol = str(unit).strip().lower()
    if symbol not in UL_PER_UNIT:
        raise refuse("unknown_unit:volumes", field=field, value=unit)
    number = parse_decimal(value, field=field)
    if number <= 0:
        raise refuse("not_positive:volumes", field=field, value=value)
    volume_ul = round(number * UL_PER_UNIT[symbol])
    if not 0 < volume_ul <= VOLUME_UL_MAX:
        raise InvalidError(
            "This volume is out of range.",
            code="too_large" if volume_ul else "too_small",
            field=field,
            value=value,
            remedy="Check the number and its unit.",
        )
    return volume_ul


def parse_volume(text: object, *, field: str = "volume") -> int:
    """Microlitres from bench writing such as "850 ml" or "11.5 l". Raises as `volume_to_ul`."""
    written = str(text)[:TEXT_MAX].strip()
    digits = written.rstrip("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZµμ")
    number = "".join(digits.split())
    return volume_to_ul(number, written[len(digits) :], field=field)
