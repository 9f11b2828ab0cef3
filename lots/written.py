"""How people write figures, masses and volumes: one reader for the bench and for sheets.

A comma and a point are both read as the decimal sign. What one reader takes for thousands and
another for decimals is refused. The API does not come here: it reads points and named units.
"""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Final

from config.refusals import RefusalError, refuse
from lots.unit_words import unit_word
from lots.units import Quantity, canonical_unit, mass_to_ug
from lots.volumes import volume_to_ul

COMMA: Final = ","
POINT: Final = "."
NUMBER_LENGTH_MAX: Final = 64

# Python's \s includes the no-break and thin spaces that group digits in printed tables.
_GROUPING: Final = re.compile(r"[\s']")
_WITH_UNIT: Final = re.compile(r"([+-]?[0-9.,\s']*[0-9][0-9.,\s']*?)\s*([^0-9\s.,'+-][^0-9]*)?")
_PLAIN: Final = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)")
_THOUSANDS: Final = re.compile(r"[+-]?[1-9][0-9]{0,2}[.,][0-9]{3}")
_GROUPED: Final = {
    COMMA: re.compile(r"[+-]?[0-9]{1,3}(?:,[0-9]{3})+(?:\.[0-9]*)?"),
    POINT: re.compile(r"[+-]?[0-9]{1,3}(?:\.[0-9]{3})+(?:,[0-9]*)?"),
}
_ONE_COMMA: Final = re.compile(r"[+-]?[0-9]*,[0-9]+")


def number_and_unit(text: str) -> tuple[str, str] | None:
    """The digits as written and the unit after them, if any; None where there is no number.

    A long text is no number, and would take long to tell.
    """
    match = _WITH_UNIT.fullmatch(text) if len(text) <= NUMBER_LENGTH_MAX else None
    return (match[1], unit_word((match[2] or "").strip())) if match else None


def has_decimal_comma(text: str) -> bool:
    """Whether the number can only be read with its comma as the decimal sign."""
    found = number_and_unit(text)
    digits = _GROUPING.sub("", found[0]) if found else ""
    if _ONE_COMMA.fullmatch(digits):
        return not _THOUSANDS.fullmatch(digits)
    return COMMA in digits and _GROUPED[POINT].fullmatch(digits) is not None


def plain_number(
    text: str, *, field: str, sign: str = "", commas_seen: bool = False, in_sheet: bool = False
) -> str:
    """The number as plain digits with a point.

    `sign` is the decimal sign where the writer named it; `commas_seen` says that they used a
    decimal comma elsewhere, which makes 1.234 doubtful too. Raises InvalidError `ambiguous_number`,
    whose remedy differs `in_sheet`, and `not_a_number`.
    """
    digits = _GROUPING.sub("", text)
    if len(text) > NUMBER_LENGTH_MAX:
        raise _not_a_number(text, field)
    if sign:
        return _by_sign(digits, sign, text, field)
    if _THOUSANDS.fullmatch(digits) and (COMMA in digits or commas_seen):
        if in_sheet:
            raise refuse("ambiguous_number", field=field, value=text)
        raise refuse("ambiguous_number:bench", field=field, value=text)
    if _PLAIN.fullmatch(digits):
        return digits
    if _ONE_COMMA.fullmatch(digits):
        return digits.replace(COMMA, POINT)
    for grouping, other in ((COMMA, POINT), (POINT, COMMA)):
        if _GROUPED[grouping].fullmatch(digits):
            return digits.replace(grouping, "").replace(other, POINT)
    raise _not_a_number(text, field)


def read_mass(text: str, *, unit: str = "", field: str = "", positive: bool = True) -> Quantity:
    """A mass such as "1 302,4 g" or "41.87 troy ounces"; `unit` holds where none is written.

    Raises as `plain_number` and `lots.units.mass_to_ug`.
    """
    found = number_and_unit(text.strip())
    if found is None or not (found[1] or unit):
        raise refuse("not_a_number:units_2", field=field, value=text)
    symbol = canonical_unit(found[1] or unit, field=field)
    number = plain_number(found[0], field=field)
    mass_ug = mass_to_ug(number, symbol, field=field, positive=positive)
    return Quantity(mass_ug=mass_ug, value=Decimal(number), unit=symbol)


def read_volume(text: str, *, field: str = "") -> int:
    """Microlitres from writing such as "850 ml" or "11,5 litres". Raises as `read_mass`."""
    found = number_and_unit(text.strip())
    if found is None:
        raise _not_a_number(text, field)
    return volume_to_ul(plain_number(found[0], field=field), found[1], field=field)


def _by_sign(digits: str, sign: str, text: str, field: str) -> str:
    """The number by the decimal sign the user named; the other sign may only group thousands."""
    other = POINT if sign == COMMA else COMMA
    if other in digits and not _GROUPED[other].fullmatch(digits):
        raise _not_a_number(text, field)
    plain = digits.replace(other, "").replace(sign, POINT)
    if not _PLAIN.fullmatch(plain):
        raise _not_a_number(text, field)
    return plain


def _not_a_number(text: str, field: str) -> RefusalError:
    return refuse("not_a_number:values", field=field, value=text)
