"""What the signs, percentages and units of every report mean, said once and printed on each."""

from __future__ import annotations

from decimal import ROUND_HALF_EVEN, ROUND_HALF_UP, Context, Decimal, localcontext
from typing import Final

from lots.units import UG_PER_UNIT, ug_to_ozt

# The definition of inventory difference in bulk accountancy is book less physical; the sign is
# stated wherever a difference is shown because practice differs from trade to trade.
SIGN_CONVENTION: Final = (
    "Difference = book less physical count: positive is an apparent loss, negative an apparent "
    "gain. On loss and difference accounts likewise: positive is metal gone from the books, "
    "negative is metal found above the books."
)
STATEMENT_SIGNS: Final = (
    "Lines between opening and closing book are signed as they change the book: positive adds to "
    "it, negative takes from it."
)
OUNCE_RULE: Final = (
    "Grams are exact to the microgram. One troy ounce is exactly 31.1034768 g; each figure in troy "
    "ounces is its own grams converted and rounded to six decimals, totals included, so ounces are "
    "never summed."
)
STATEMENT_THROUGHPUT: Final = (
    "Throughput of a metal in the month: the larger of what came in (received, opening balances "
    "entered, supplies) and what went out (shipped, returned)."
)
STAGE_THROUGHPUT: Final = (
    "Throughput of a stage: the metal its own movements brought into it in the period (receipts, "
    "process inputs, charges, electrolyte, rinse water; for shipping what went out of the door; "
    "for the store what came in at the door). A lot received and then melted counts at both steps."
)
PERCENT_RULE: Final = "Per cent to four decimals, halves rounded away from zero."
VALUE_RULE: Final = (
    "Values use the price table the works entered, rounded per line to two decimals; totals add "
    "the lines. They are no valuation for tax or accounts: contract and local law govern."
)
PERCENT_DECIMALS: Final = 4
_EXACT: Final = Context(prec=60, rounding=ROUND_HALF_EVEN)


def percent_of(part_ug: int, whole_ug: int) -> Decimal | None:
    """`part_ug` as per cent of `whole_ug` to four decimals, halves away from zero; None of nothing.

    The rounding is that of a spreadsheet's ROUND, so that a workbook's formula gives this figure.
    """
    if not whole_ug:
        return None
    with localcontext(_EXACT):
        percent = (Decimal(100 * part_ug) / whole_ug).quantize(
            Decimal(1).scaleb(-PERCENT_DECIMALS), rounding=ROUND_HALF_UP
        )
        return percent + 0


def ounces_of(mass_ug: int) -> Decimal:
    """Troy ounces to six decimals; what rounds to nought has no sign, as in a spreadsheet."""
    return ug_to_ozt(mass_ug) + 0


def value_of(mass_ug: int, per_unit: str, price: Decimal) -> Decimal:
    """Money for `mass_ug` at `price` per "g" or "ozt", rounded half-even to two decimals."""
    with localcontext(_EXACT):
        exact = Decimal(mass_ug) / UG_PER_UNIT[per_unit] * price
        return exact.quantize(Decimal("0.01"), rounding=ROUND_HALF_EVEN) + 0
