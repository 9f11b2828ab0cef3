"""What a balance's serial line says: readings, and the codes that a scanner sends in between.

Balances write a sign, a number, a unit and some mark of stability, each maker in its own way: the
default pattern takes the plain form, and another may be given.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from config.refusals import InvalidError, RefusalError, refuse
from lots.codes import LotCode, parse_code
from lots.units import mass_to_ug

LINE_LENGTH_MAX: Final = 200
# A sign, a number, a unit. A question mark, star or tilde before or after says it still moves.
PLAIN: Final = (
    r"(?P<unstable>[?*~])?\s*(?P<sign>[+-])?\s*(?P<number>\d[\d ]*(?:\.\d+)?)\s*"
    r"(?P<unit>[A-Za-z]+)?\s*(?P<still_moving>[?*~])?"
)


@dataclass(frozen=True)
class Reading:
    """One line of a balance: micrograms, below zero too, and whether it had come to rest."""

    mass_ug: int
    is_stable: bool
    written: str


def compiled(pattern: str) -> re.Pattern[str]:
    """A pattern of lines, checked. Raises InvalidError `bad_pattern`.

    Named groups: `number` (needed), `sign`, `unit`; `stable`, which must be met, or `unstable` and
    `still_moving`, which must not be.
    """
    try:
        made = re.compile(pattern)
    except re.error as error:
        raise _bad_pattern(pattern) from error
    if "number" not in made.groupindex:
        raise _bad_pattern(pattern)
    return made


def read_line(line: str, pattern: re.Pattern[str], unit: str = "") -> Reading | LotCode | None:
    """A reading, the code of a lot that was scanned, or None for a line that is neither.

    `unit` stands in where the line names none; without both the line is no reading, since many
    balances leave the unit out while the pan still moves (common practice, no source).
    """
    text = line.strip()[:LINE_LENGTH_MAX]
    code = scanned_code(text)
    if code is not None:
        return code
    match = pattern.fullmatch(text)
    if match is None:
        return None
    found = match.groupdict()
    unit = found.get("unit") or unit
    if not unit:
        return None
    try:
        mass_ug = mass_to_ug(found["number"].replace(" ", ""), unit, field="line", positive=False)
    except InvalidError:
        return None
    is_stable = not (found.get("unstable") or found.get("still_moving"))
    if "stable" in pattern.groupindex:
        is_stable = is_stable and bool(found["stable"])
    return Reading(-mass_ug if found.get("sign") == "-" else mass_ug, is_stable, text)


def scanned_code(text: str) -> LotCode | None:
    """The lot's code in a scanned line: the code itself, or the address in a label's QR code."""
    last = text.rstrip("/").rpartition("/")[2]
    try:
        return parse_code(last)
    except InvalidError:
        return None


def _bad_pattern(pattern: str) -> RefusalError:
    return refuse("bad_pattern", field="pattern", value=pattern)
