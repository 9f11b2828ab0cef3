"""What people write for a unit, in a heading or after a number, and the symbol kept for it."""

from __future__ import annotations

from typing import Final

_UNIT_WORDS: Final = {
    "gram": "g", "grams": "g", "gramme": "g", "grammes": "g", "gm": "g", "kilogram": "kg",
    "milligram": "mg", "troy ounce": "ozt", "troy ounces": "ozt", "oz t": "ozt", "oz tr": "ozt",
    "oz troy": "ozt", "toz": "ozt", "troy oz": "ozt", "ounce": "oz", "ounces": "oz",
    "pennyweight": "dwt", "grain": "gr", "grains": "gr", "µg": "ug", "μg": "ug",
    "litre": "l", "litres": "l", "liter": "l", "millilitre": "ml", "µl": "ul", "μl": "ul",
    "‰": "ppt", "per mille": "ppt", "parts per thousand": "ppt", "%": "percent",
    "per cent": "percent", "amp": "A", "amps": "A", "ampere": "A", "volt": "V", "volts": "V",
}  # fmt: skip
# Said of a header that names the ounce without saying which: the user chooses then.
UNSAID: Final = "oz"


def unit_word(text: str) -> str:
    """The symbol for what was written; what is not known comes back in plain writing."""
    said = " ".join(text.casefold().split()).removeprefix("in ").strip(".")
    return _UNIT_WORDS.get(said, said)
