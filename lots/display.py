"""How masses, volumes and moments are written for people: one way, on every page and label."""

from __future__ import annotations

from decimal import Decimal
from typing import Final

from lots.units import UG_PER_G, ug_to

THIN_SPACE: Final = "\u202f"
MINUS: Final = "\u2212"


def grouped(number: object) -> str:
    """Plain decimal text with thin spaces between thousands and a real minus sign."""
    text = format(number, "f") if not isinstance(number, str) else number
    sign, digits = (MINUS, text[1:]) if text.startswith("-") else ("", text)
    whole, point, rest = digits.partition(".")
    return sign + f"{int(whole or 0):,}".replace(",", THIN_SPACE) + point + rest


def grams(mass_ug: int) -> str:
    """To the milligram; what is less than one, to the microgram."""
    fine = 0 < abs(mass_ug) < UG_PER_G // 1000
    return f"{grouped(ug_to(mass_ug, 'g', 6 if fine else 3))} g"


def ounces(mass_ug: int) -> str:
    """Troy ounces to the thousandth."""
    return f"{grouped(ug_to(mass_ug, 'ozt', 3))} ozt"


def both(mass_ug: int) -> str:
    """Grams and troy ounces, as in 1 302.400 g · 41.873 ozt."""
    return f"{grams(mass_ug)} · {ounces(mass_ug)}"


def litres(volume_ul: int) -> str:
    """Litres to the millilitre."""
    thousandths = round(volume_ul / 1000)
    return f"{grouped(f'{thousandths // 1000}.{thousandths % 1000:03d}')} l"


def money(amount: object) -> str:
    """Two decimals, or as many more as the amount has."""
    exact = Decimal(str(amount)).normalize()
    decimals = max(2, -int(exact.as_tuple().exponent))
    return grouped(f"{exact:.{decimals}f}")
