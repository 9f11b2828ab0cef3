"""What the figures of a run should lie in, from what is known of the cell, its charge and bath.

Widths are choices: wide enough that hardly one true figure in a hundred is asked about, as the
table in docs/slips.md shows; common practice, no source, unless said otherwise.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Final

from lots.likelihood.figures import Range

# A silver cell is run at a few volts, in a warm bath at most.
CELL_V: Final = (Decimal("0.3"), Decimal(12))
BATH_C: Final = (Decimal(5), Decimal(70))
FREE_ACID_G_PER_L_MAX: Final = Decimal(120)
# What a litre of cold water takes up, and so more than a litre of any solution holds. From
# memory: of silver 122 g of nitrate in 100 ml, 107.87 parts silver in 169.87; of copper 125 g of
# nitrate at 20 °C, 63.55 in 187.56.
SOLUBLE_G_PER_L: Final = {"Ag": Decimal(775), "Cu": Decimal(424)}
# What a bath is worked at: far below what dissolves.
WORKED_G_PER_L: Final = {"Ag": (Decimal(5), Decimal(300)), "Cu": (Decimal(0), Decimal(150))}


def current_range(
    *,
    limit_a: Decimal,
    fuse_a: Decimal,
    last_a: Decimal | None,
    hours: Decimal = Decimal(0),
    is_off: bool = False,
) -> Range:
    """Amperes: below what the fuse stands, and near the reading `hours` before or after.

    A current falls through a run, and faster towards its end; it is rarely set higher.
    """
    most_a = max(limit_a, fuse_a)
    why = f"the cell's limit is {_plain(limit_a)} A, its fuse {_plain(fuse_a)} A"
    if is_off:
        return Range(Decimal(0), most_a, why)
    if not last_a:
        return Range(limit_a / 10, most_a, why)
    fall = min(Decimal("0.15") + hours * Decimal("0.02"), Decimal("0.7"))
    rise = min(Decimal("0.15") + hours * Decimal("0.01"), Decimal("0.5"))
    least_a = last_a * (1 - fall) - Decimal("0.1")
    return Range(
        max(least_a, Decimal(0)),
        min(last_a * (1 + rise) + Decimal("0.1"), most_a),
        f"{why}, and the reading next to it {_plain(last_a)} A",
    )


def voltage_range(last_v: Decimal | None) -> Range:
    """Volts across a cell, and near the reading before."""
    low, high = CELL_V
    if not last_v:
        return Range(low, high, "cells run at a few volts")
    why = f"the reading next to it is {_plain(last_v)} V"
    return Range(max(low, last_v * Decimal("0.6")), min(high, last_v * Decimal("1.6")), why)


def temperature_range(last_c: Decimal | None) -> Range:
    low, high = BATH_C
    if last_c is None:
        return Range(low, high, "baths are neither frozen nor near boiling")
    return Range(max(low, last_c - 15), min(high, last_c + 15), f"last it was {_plain(last_c)} °C")


def solution_range(metal: str, known_g_per_l: Decimal | None, share: Decimal) -> Range:
    """Grams per litre of a metal: within a `share` of what went in, and of what a bath can hold."""
    low, high = WORKED_G_PER_L.get(metal, (Decimal(0), Decimal(50)))
    if metal in SOLUBLE_G_PER_L:
        high = min(high, SOLUBLE_G_PER_L[metal])
    if known_g_per_l is None:
        return Range(low, high, "that is what a bath holds")
    slack = max(known_g_per_l * share, Decimal(3))
    return Range(
        max(Decimal(0), known_g_per_l - slack),
        min(max(high, known_g_per_l), known_g_per_l + slack),
        f"by what went in it holds {known_g_per_l:.1f} g/L",
    )


def acid_range(last_g_per_l: Decimal | None) -> Range:
    if not last_g_per_l:
        return Range(Decimal(0), FREE_ACID_G_PER_L_MAX, "baths are worked with a little free acid")
    why = f"last it was {_plain(last_g_per_l)} g/L"
    return Range(last_g_per_l / 4, min(FREE_ACID_G_PER_L_MAX, last_g_per_l * 4), why)


def crystal_range_g(expected_g: Decimal, u_g: Decimal, most_g: Decimal) -> Range:
    """Dry crystal: near what the charge plates, and no more than charge and bath can give."""
    slack = expected_g * Decimal("0.12") + 3 * u_g + Decimal("0.5")
    return Range(
        max(Decimal(0), expected_g - slack),
        min(expected_g + slack, most_g),
        f"the charge plates {expected_g:.4g} g, and basket and bath hold {most_g:.4g} g",
    )


def remnant_range_g(left_g: Decimal, u_g: Decimal, charge_g: Decimal) -> Range:
    """What the anode left: near what had not dissolved, and never more than was charged."""
    slack = charge_g * Decimal("0.06") + 3 * u_g
    return Range(
        max(Decimal(0), left_g - slack),
        min(left_g + slack, charge_g),
        f"of {charge_g:.4g} g about {max(left_g, Decimal(0)):.4g} g have not dissolved",
    )


def slimes_range_g(expected_g: Decimal, u_g: Decimal, left_g: Decimal) -> Range:
    """Dry slimes: near what the charge's assay leaves undissolved, at most all that is left."""
    slack = expected_g * Decimal("1.5") + 3 * u_g
    return Range(
        max(Decimal(0), expected_g / 4),
        min(expected_g + slack, left_g),
        f"by the charge's content about {expected_g:.3g} g stay in the bag",
    )


def volume_range_ml(book_ml: Decimal | None, bath_ml: Decimal | None) -> Range:
    """A bath's volume: near the book's, and what the cell takes."""
    high = None if bath_ml is None else bath_ml * Decimal("1.3")
    if book_ml is None:
        low = None if bath_ml is None else bath_ml * Decimal("0.3")
        why = "" if bath_ml is None else f"the cell takes {bath_ml / 1000:.3g} l"
        return Range(low, high, why)
    limit = book_ml * Decimal("1.15")
    return Range(
        book_ml * Decimal("0.85"),
        limit if high is None else max(min(limit, high), book_ml),
        f"the book has {book_ml / 1000:.4g} l",
    )


def _plain(value: Decimal) -> str:
    text = f"{value:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
