"""How a bar's listed weights come about, and what each other rule would have made of them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Context, Decimal, localcontext
from typing import Final

from lots.bars import (
    GROSS_RULES,
    SMALL_GOLD_BARS,
    FineWeight,
    GrossWeight,
    fine_weight,
    gross_weight,
)
from lots.units import UG_PER_G, UG_PER_OZT

_GOLD: Final = "Au"
_MILLIONTH: Final = Decimal("0.000001")
_EXACT: Final = Context(prec=60, rounding=ROUND_HALF_EVEN)


@dataclass(frozen=True)
class Step:
    """One line of the working: what is done, and the sum as it would be written down."""

    what: str
    sum: str


@dataclass(frozen=True)
class RuleOutcome:
    """What one rule makes of the bar; None where it states no figure. `used`: by this list."""

    rule: str
    gross_ozt: Decimal
    fine_ozt: Decimal | None
    used: bool


def exact_ozt(mass_ug: int) -> Decimal:
    """Troy ounces to a millionth, to show beside what the rules make of them."""
    with localcontext(_EXACT):
        return (mass_ug / UG_PER_OZT).quantize(_MILLIONTH)


def workings(gross: GrossWeight, fineness_ppt: Decimal, fine: FineWeight | None) -> list[Step]:
    """From the weighing to the figures of the list."""
    exact = exact_ozt(gross.mass_ug)
    grams = Decimal(gross.mass_ug) / UG_PER_G
    steps = [
        Step("Weighed, in troy ounces of 31.1034768 g", f"{grams:f} g = {exact:f} ozt"),
        Step(f"Gross: {gross.rule}", f"{exact:f} → {gross.gross_ozt:f} ozt"),
    ]
    if fine is None:
        return steps
    if fine.basis == "agreed table":
        found = f"{fine.bar} at {_short(fine.assay_ppt)} → {fine.fine_ozt:f} ozt"
        return [*steps, Step(f"Fine: looked up, not computed ({fine.rule})", found)]
    with localcontext(_EXACT):
        product = gross.gross_ozt * fineness_ppt / 1000
    sum_ = f"{gross.gross_ozt:f} × {_short(fineness_ppt)} / 1000 = {_short(product)}"
    return [*steps, Step(f"Fine: {fine.rule}", f"{sum_} → {fine.fine_ozt:f} ozt")]


def compare_rules(
    gross: GrossWeight, fineness_ppt: Decimal, fine: FineWeight | None
) -> list[RuleOutcome]:
    """What every rule that knows such a bar makes of it, the one used marked.

    The rules differ, so two lists of one bar may disagree and neither be wrong. The last row is
    what the bar holds without any rounding.
    """
    used = _by(gross, fine)
    outcomes = [
        RuleOutcome(name, other.gross_ozt, _fine_ozt(other_fine), _by(other, other_fine) == used)
        for name, other, other_fine in _published(gross, fineness_ppt, fine)
    ]
    if not any(outcome.used for outcome in outcomes):
        name = "As agreed between the parties"
        outcomes.append(RuleOutcome(name, gross.gross_ozt, _fine_ozt(fine), used=True))
    exact = exact_ozt(gross.mass_ug)
    with localcontext(_EXACT):
        unrounded = (exact * fineness_ppt / 1000).quantize(_MILLIONTH)
    return [*outcomes, RuleOutcome("Without any rounding", exact, unrounded, used=False)]


def table_bar(fineness_ppt: Decimal, fine_ozt: Decimal) -> str:
    """The bar of the agreed table that has these fine ounces at this assay; empty if none."""
    table = SMALL_GOLD_BARS
    if fineness_ppt not in table.assays_ppt:
        return ""
    column = table.assays_ppt.index(fineness_ppt)
    found = (bar for bar, ounces in table.fine_ozt.items() if ounces[column] == fine_ozt)
    return next(found, "")


def _by(gross: GrossWeight, fine: FineWeight | None) -> tuple[str, str]:
    return gross.rule, fine.rule if fine else ""


def _fine_ozt(fine: FineWeight | None) -> Decimal | None:
    return fine.fine_ozt if fine else None


def _published(
    gross: GrossWeight, fineness_ppt: Decimal, fine: FineWeight | None
) -> Iterator[tuple[str, GrossWeight, FineWeight | None]]:
    if gross.metal not in GROSS_RULES:
        return
    down = gross_weight(gross.metal, gross.mass_ug)
    name = f"London: rounded down to {GROSS_RULES[gross.metal].step} ozt"
    yield name, down, _by_formula(down, fineness_ppt)
    if gross.metal != _GOLD:
        return
    turned = gross_weight(_GOLD, gross.mass_ug, turn_of_scale=True)
    yield "London, turn of the scale", turned, _by_formula(turned, fineness_ppt)
    if fine is not None and fine.basis == "agreed table":
        yield f"Agreed table, the bar of {fine.bar}", down, fine


def _by_formula(gross: GrossWeight, fineness_ppt: Decimal) -> FineWeight | None:
    """London states a fine weight for gold alone, and none for what is below a step."""
    if gross.metal != _GOLD or gross.gross_ozt <= 0:
        return None
    return fine_weight(_GOLD, gross.gross_ozt, fineness_ppt)


def _short(number: Decimal) -> str:
    return f"{number.normalize():f}"
