"""How a lot is named: a short code that can be read aloud and that betrays a slip of the pen.

Two letters for the form, two digits for the year, a running number of four to six digits and one
check character, as in GR26-0417-1. The scheme is this project's own.

The check character follows the pure-system recursion of ISO/IEC 7064:2003 (as in its MOD 11-2 and
MOD 37-2), with modulus 31 and radix 3 in place of 37 and 2. The characters are ten digits and 21
letters; I, O, Q, U and Z are left out because they are misread as 1, 0, 0, V and 2. Since 31 is
prime, the check character comes from the same alphabet, where MOD 37-2 would need an asterisk, and
since 3 is a primitive root of 31 every substitution of one character and every exchange of any two
is detected, where MOD 37,36 lets some exchanges through.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from config.refusals import RefusalError, refuse

ALPHABET: Final = "0123456789ABCDEFGHJKLMNPRSTVWXY"
MODULUS: Final = 31
RADIX: Final = 3
YEAR_MIN: Final = 2000
YEAR_MAX: Final = 2099
NUMBER_MAX: Final = 999_999
TEXT_MAX: Final = 40

_VALUE: Final = {character: value for value, character in enumerate(ALPHABET)}
_PREFIX: Final = re.compile(r"[ABCDEFGHJKLMNPRSTVWXY]{2}")
_CODE: Final = re.compile(
    r"([ABCDEFGHJKLMNPRSTVWXY]{2})([0-9]{2})([0-9]{4}|[1-9][0-9]{4,5})([0-9A-Z])"
)
_SEPARATORS: Final = re.compile(r"[\s\-\u2010-\u2015\u2212]+")
# Letters left out of the alphabet can only be misread digits, so they are read as those.
_LOOK_ALIKES: Final = str.maketrans({"O": "0", "I": "1", "Z": "2"})


@dataclass(frozen=True)
class LotCode:
    """A code taken apart; `str()` gives the one spelling that is stored and printed."""

    prefix: str
    year: int
    number: int
    check: str

    def __str__(self) -> str:
        return f"{self.prefix}{self.year % 100:02d}-{self.number:04d}-{self.check}"


def pure_check_value(values: Iterable[int], modulus: int, radix: int) -> int:
    """The check value that makes the weighted sum congruent to 1.

    Source: the recursive method for pure systems of ISO/IEC 7064:2003 with one check character.
    """
    running = 0
    for value in values:
        running = (running + value) * radix % modulus
    return (1 - running) % modulus


def make_code(prefix: str, year: int, number: int) -> LotCode:
    """The code of the `number`th lot of a form and year.

    `prefix` is two capital letters of the alphabet, `year` 2000 to 2099, `number` 1 to 999999.
    Raises InvalidError `bad_code` naming the part at fault.
    """
    if not _PREFIX.fullmatch(prefix):
        raise _no_code_from(
            "prefix", prefix, "Use two capital letters, none of them I, O, Q, U or Z."
        )
    if not YEAR_MIN <= year <= YEAR_MAX:
        raise _no_code_from("year", year, f"Use a year from {YEAR_MIN} to {YEAR_MAX}.")
    if not 1 <= number <= NUMBER_MAX:
        raise _no_code_from("number", number, f"Use a running number from 1 to {NUMBER_MAX}.")
    return LotCode(prefix, year, number, _check_character(f"{prefix}{year % 100:02d}{number:04d}"))


def parse_code(text: object, *, field: str = "code") -> LotCode:
    """The code that a person typed, whatever its case, spaces and hyphens.

    Raises InvalidError `bad_code` when it has not the shape of a code, `bad_check_character` when a
    character is wrong or two have changed places.
    """
    plain = ""
    if isinstance(text, str) and len(text) <= TEXT_MAX:
        plain = _SEPARATORS.sub("", text)
        # Upper case turns some letters outside ASCII into two, so they are kept out of it.
        plain = plain.upper() if plain.isascii() else ""
        plain = plain[:2] + plain[2:].translate(_LOOK_ALIKES)
    match = _CODE.fullmatch(plain)
    if match is None or int(match[3]) == 0:
        raise refuse("bad_code:codes", field=field, value=text)
    if match[4] != _check_character(plain[:-1]):
        raise refuse("bad_check_character", field=field, value=text)
    return LotCode(match[1], YEAR_MIN + int(match[2]), int(match[3]), match[4])


def _check_character(body: str) -> str:
    return ALPHABET[pure_check_value((_VALUE[c] for c in body), MODULUS, RADIX)]


def _no_code_from(field: str, value: object, remedy: str) -> RefusalError:
    return refuse("bad_code", field=field, value=value, it=field, it_2=remedy)
