"""How much: exact conversion between what people write and the integer micrograms on the books.

Decimal arithmetic only; every rounding is half-even to a stated step.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Context, Decimal, InvalidOperation, localcontext
from typing import Final

from config.refusals import RefusalError, refuse

UG_PER_UNIT: Final[dict[str, Decimal]] = {
    "ug": Decimal(1),
    "mg": Decimal(1_000),
    "g": Decimal(1_000_000),
    "kg": Decimal(1_000_000_000),
    # The grain is exactly 64.79891 mg; pennyweight, troy ounce, avoirdupois ounce and both pounds
    # follow from it (NIST Handbook 44, Appendix C).
    "gr": Decimal("64798.91"),
    "dwt": Decimal("1555173.84"),
    "ozt": Decimal("31103476.8"),
    "lbt": Decimal("373241721.6"),
    "ozav": Decimal("28349523.125"),
    "lb": Decimal("453592370"),
}
UNIT_NAMES: Final[dict[str, str]] = {
    "ug": "microgram",
    "mg": "milligram",
    "g": "gram",
    "kg": "kilogram",
    "gr": "grain",
    "dwt": "pennyweight",
    "ozt": "troy ounce",
    "lbt": "troy pound",
    "ozav": "avoirdupois ounce",
    "lb": "avoirdupois pound",
}
_ALIASES: Final[dict[str, str]] = {
    "µg": "ug",
    "μg": "ug",
    "oz t": "ozt",
    "oz tr": "ozt",
    "oz av": "ozav",
    "oz avdp": "ozav",
}

UG_PER_OZT: Final = UG_PER_UNIT["ozt"]
UG_PER_G: Final = 1_000_000

# Ten tonnes: far above what a small works holds, far below what a 64-bit column takes.
MASS_UG_MAX: Final = 10_000_000_000_000
# Ten cubic metres in microlitres.
VOLUME_UL_MAX: Final = 10_000_000_000
DECIMALS_MAX: Final = 9
DIGITS_MAX: Final = 24
_EXACT: Final = Context(prec=60, rounding=ROUND_HALF_EVEN)
TEXT_MAX: Final = 200
_NUMBER: Final = re.compile(r"[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)")
# Python's \s includes the no-break and thin spaces that group digits in printed tables.
_QUANTITY: Final = re.compile(r"([+-]?[0-9.,\s']*[0-9][0-9.,\s']*?)\s*([^0-9\s.,'+-].*)")
_EXPONENT: Final = re.compile(r"e[+-]?[0-9]", re.IGNORECASE)


@dataclass(frozen=True)
class Quantity:
    """A mass as it was written and as it stands on the books."""

    mass_ug: int
    value: Decimal
    unit: str


def canonical_unit(unit: object, *, field: str = "unit") -> str:
    """The unit's symbol in `UG_PER_UNIT`.

    Raises InvalidError `unknown_unit`, and `ambiguous_unit` for a bare "oz": at a precious-metal
    bench it is read as troy, in a shop as avoirdupois, and the two differ by a tenth.
    """
    text = " ".join(str(unit).lower().split())
    text = _ALIASES.get(text, text)
    if text == "oz":
        raise refuse("ambiguous_unit", field=field, value=unit)
    if text not in UG_PER_UNIT:
        raise refuse(
            "unknown_unit:units",
            field=field,
            value=unit,
            ug_per_unit=", ".join(sorted(UG_PER_UNIT)),
        )
    return text


def parse_decimal(
    value: object,
    *,
    field: str,
    minimum: Decimal | None = None,
    maximum: Decimal | None = None,
    decimals_max: int = DECIMALS_MAX,
) -> Decimal:
    """A plain decimal number from text, int or Decimal; never from a float.

    Refuses, naming `field`: empty or overlong text, anything but digits with one decimal point
    (so no NaN, infinity or exponent), more than `decimals_max` decimals, values outside the limits.
    """
    text = _plain_text(value, field, maximum, decimals_max)
    if len(text) > 64 or not _NUMBER.fullmatch(text):
        raise _not_a_number(value, field)
    try:
        number = Decimal(text)
    except InvalidOperation as error:  # pragma: no cover - the pattern admits plain digits only
        raise _not_a_number(value, field) from error
    digits = len(number.as_tuple().digits)
    if digits > DIGITS_MAX or -int(number.as_tuple().exponent) > decimals_max:
        raise _too_many_digits(value, field, decimals_max)
    if minimum is not None and number < minimum:
        raise refuse("too_small:units", field=field, value=value, minimum=minimum)
    if maximum is not None and number > maximum:
        raise _too_large(value, field, maximum)
    return number


def mass_to_ug(value: object, unit: object, *, field: str = "mass", positive: bool = True) -> int:
    """Integer micrograms of `value` in `unit`, rounded half-even to the microgram.

    `positive` demands more than zero; otherwise zero is accepted too. Raises InvalidError with code
    `not_a_number`, `too_many_digits`, `not_positive`, `too_small`, `too_large`, or on the field
    `<field>.unit` with `unknown_unit` or `ambiguous_unit`.
    """
    symbol = canonical_unit(unit, field=f"{field}.unit" if field else "unit")
    number = parse_decimal(value, field=field)
    if number < 0 or (positive and number == 0):
        raise refuse(
            "not_positive:units",
            field=field,
            value=value,
            what="A mass must be more than zero." if positive else "A mass cannot be below zero.",
        )
    with localcontext(_EXACT):
        mass_ug = int((number * UG_PER_UNIT[symbol]).to_integral_value(ROUND_HALF_EVEN))
    if mass_ug > MASS_UG_MAX:
        raise refuse("too_large:units_2", field=field, value=f"{value} {symbol}")
    if positive and mass_ug == 0:
        raise refuse("too_small:units_2", field=field, value=value)
    return mass_ug


def parse_mass(text: object, *, field: str = "mass", positive: bool = True) -> Quantity:
    """A mass from bench writing such as "1 302.4 g", "41.87 ozt" or "26 dwt".

    Spaces, apostrophes and thin spaces group digits; the point is the only decimal sign, because a
    comma means thousands to one reader and decimals to another. Raises InvalidError.
    """
    written = text.strip() if isinstance(text, str) and len(text) <= TEXT_MAX else ""
    match = _QUANTITY.fullmatch(written)
    if match is None or _EXPONENT.match(match[2]):
        raise refuse("not_a_number:units_2", field=field, value=text)
    digits, unit = match.groups()
    if "," in digits:
        raise refuse("not_a_number:units_3", field=field, value=text)
    number = re.sub(r"[\s']", "", digits)
    symbol = canonical_unit(unit, field=field)
    mass_ug = mass_to_ug(number, symbol, field=field, positive=positive)
    return Quantity(mass_ug=mass_ug, value=Decimal(number), unit=symbol)


def ug_to(mass_ug: int, unit: str, decimals: int) -> Decimal:
    """`mass_ug` in `unit`, rounded half-even to `decimals` places."""
    with localcontext(_EXACT):
        exact = Decimal(mass_ug) / UG_PER_UNIT[unit]
        return exact.quantize(Decimal(1).scaleb(-decimals), rounding=ROUND_HALF_EVEN)


def ug_to_g(mass_ug: int) -> Decimal:
    """Grams, exactly: six decimals hold every microgram."""
    return ug_to(mass_ug, "g", 6)


def ug_to_ozt(mass_ug: int, decimals: int = 6) -> Decimal:
    """Troy ounces, rounded half-even to `decimals` (six unless told)."""
    return ug_to(mass_ug, "ozt", decimals)


def round_to_ug(value: float | Decimal) -> int:
    """The one way from statistics back to the books: half-even to the microgram.

    Raises ValueError for NaN or infinity, which are our own mistakes and never a user's.
    """
    number = Decimal(value)
    if not number.is_finite():
        raise ValueError(f"{value} is not a mass")
    return int(number.to_integral_value(ROUND_HALF_EVEN))


def share_ug(total_ug: int, weights: list[int]) -> list[int]:
    """`total_ug` divided in proportion to `weights` (integers >= 0), summing to it exactly.

    Largest remainder: each part is the floor of its exact share, and the micrograms left over go to
    the largest remainders, the earlier part first on a tie. `total_ug` may be negative. When every
    weight is zero the total must be zero too (ValueError otherwise).
    """
    whole = sum(weights)
    if any(weight < 0 for weight in weights):
        raise ValueError("weights must not be negative")
    if whole == 0:
        if total_ug:
            raise ValueError("nothing to share by: every weight is zero")
        return [0] * len(weights)
    sign = -1 if total_ug < 0 else 1
    magnitude = abs(total_ug)
    parts = [magnitude * weight // whole for weight in weights]
    left = magnitude - sum(parts)
    by_remainder = sorted(range(len(weights)), key=lambda i: (-(magnitude * weights[i] % whole), i))
    for index in by_remainder[:left]:
        parts[index] += 1
    return [sign * part for part in parts]


def proportion_ug(total_ug: int, part: int, whole: int) -> int:
    """`total_ug * part / whole` rounded half-even, for part >= 0 and whole > 0."""
    quotient, remainder = divmod(total_ug * part, whole)
    twice = 2 * remainder
    if twice > whole or (twice == whole and quotient % 2):
        quotient += 1
    return quotient


def _plain_text(value: object, field: str, maximum: Decimal | None, decimals_max: int) -> str:
    """`value` written out in digits, bounded first.

    1E+9999999 would fill the memory, and Python refuses to print an integer of over 4300 digits.
    """
    if isinstance(value, bool | float) or value is None:
        raise _not_a_number(value, field)
    if isinstance(value, Decimal):
        if not value.is_finite():
            raise _not_a_number(value, field)
        if value.adjusted() > DIGITS_MAX:
            raise _too_large(value, field, maximum)
        if value.adjusted() < -DIGITS_MAX:
            raise _too_many_digits(value, field, decimals_max)
        return format(value, "f")
    if isinstance(value, int) and abs(value) >= 10**DIGITS_MAX:
        raise _too_large(f"an integer of {value.bit_length()} bits", field, maximum)
    return str(value).strip()


def _not_a_number(value: object, field: str) -> RefusalError:
    return refuse("not_a_number:units", field=field, value=value)


def _too_many_digits(value: object, field: str, decimals_max: int) -> RefusalError:
    return refuse(
        "too_many_digits",
        field=field,
        value=value,
        decimals_max=decimals_max,
        digits_max=DIGITS_MAX,
    )


def _too_large(value: object, field: str, maximum: Decimal | None) -> RefusalError:
    limit = "" if maximum is None else f" of {maximum.normalize():f}"
    return refuse("too_large:units", field=field, value=value, limit=limit)
