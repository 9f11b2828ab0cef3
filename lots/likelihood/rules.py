"""What weights and finenesses of lots should lie in, from what is known of them.

Widths are choices: wide enough that hardly one true figure in a hundred is asked about, as the
table in docs/slips.md shows; common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Final

from lots.likelihood.figures import Range

WHOLE_PPT: Final = Decimal(1000)
# Metal in its own shape: what is mostly the metals declared of it. Below, a fraction or a
# percentage was typed where parts per thousand are asked.
METALLIC_PPT: Final = Decimal(150)
FINE_PPT: Final = Decimal(900)
# The sum of a whole analysis written in per cent.
PER_CENT: Final = (Decimal("97"), Decimal("101"))
HISTORY_MIN: Final = 5
LOSS_SHARE_MAX: Final = Decimal("0.05")


def same_mass_g(
    last_g: Decimal, share: Decimal = Decimal("0.01"), u_g: Decimal = Decimal(0)
) -> Range:
    """A lot weighed again: near its last mass."""
    slack = last_g * share + 5 * u_g + Decimal("0.3")
    return Range(max(Decimal(0), last_g - slack), last_g + slack, f"the book has {_g(last_g)}")


def melted_mass_g(fed_g: Decimal) -> Range:
    """Out of a melt: what was fed, less what burns and slags off."""
    slack = fed_g * Decimal("0.01") + 1
    return Range(fed_g * Decimal("0.75"), fed_g + slack, f"{_g(fed_g)} went into the melt")


def out_of_batch_g(fed_g: Decimal) -> Range:
    """One output of a vessel: no more than went in, and more than dust of it."""
    return Range(fed_g / 2000, fed_g * Decimal("1.1") + 1, f"{_g(fed_g)} went in")


def received_mass_g(
    usual_g: Sequence[Decimal], capacity_g: Decimal | None, u_g: Decimal
) -> Range | None:
    """At the door: within what the balance weighs well, and not far from what usually comes.

    None where neither is known: no capacity (None), and few lots yet.
    """
    least, most = u_g * 20, capacity_g
    why = "" if capacity_g is None else f"the balance weighs to {_g(capacity_g)}"
    if len(usual_g) >= HISTORY_MIN:
        least = max(least, min(usual_g) / 6)
        most = min(most or max(usual_g) * 6, max(usual_g) * 6)
        why = f"lots of {_g(min(usual_g))} to {_g(max(usual_g))} usually come"
    return None if most is None else Range(least, most, why)


def part_g(whole_g: Decimal) -> Range:
    """A portion that is worth parting off."""
    return Range(whole_g / 1000, whole_g, f"the lot is {_g(whole_g)}")


def sample_g(whole_g: Decimal) -> Range:
    """A sample: a small part of its lot."""
    most = min(whole_g, max(whole_g / 8, Decimal(20)))
    return Range(whole_g / 5000, most, f"the lot is {_g(whole_g)}")


def supplies_g(fed_g: Decimal) -> Range:
    """Copper or salt put to a batch: in proportion to what it works on."""
    return Range(fed_g / 500, fed_g * 5 + 100, f"{_g(fed_g)} went in")


def fineness_ranges(
    declared: Mapping[str, Decimal], *, is_metal: bool, is_fine: bool = False
) -> dict[str, Range]:
    """By metal, in parts per thousand: is it a fraction, or a percentage?

    A whole analysis is told by its sum; of the rest, metal in its own shape by its main metal.
    """
    if not declared:
        return {}
    main = max(declared, key=lambda metal: declared[metal])
    total = sum(declared.values())
    asked = "parts per thousand are asked for"
    if total <= 1:
        return {main: Range(Decimal(1), WHOLE_PPT, f"{asked}, and this looks like a fraction")}
    if PER_CENT[0] <= total <= PER_CENT[1] and len(declared) > 1:
        least = Decimal(101)
        return {main: Range(least, WHOLE_PPT, f"{asked}, and this looks like per cent")}
    if is_fine:
        return {main: Range(FINE_PPT, WHOLE_PPT, "it is fine metal")}
    if is_metal:
        return {main: Range(METALLIC_PPT, WHOLE_PPT, f"{asked}, and it is metal")}
    return {}


def found_ranges(book: Mapping[str, Decimal], found: Mapping[str, Decimal]) -> dict[str, Range]:
    """An assay beside what the book has of the lot: in parts per thousand, or grams per litre."""
    ranges = {}
    for metal in found:
        held = book.get(metal)
        if held is None or held < Decimal("0.5"):
            continue
        slack = held * Decimal("0.12") + 15 if held > 100 else held * 3 + 2
        why = f"the book has {held:.4g} of it"
        ranges[metal] = Range(max(Decimal(0), held - slack), held + slack, why)
    return ranges


def price_range(last: Decimal, days: int) -> Range:
    """A price: within what prices move in so many days."""
    share = min(Decimal("0.15") + Decimal(days) / 100, Decimal("0.6"))
    return Range(last * (1 - share), last * (1 + share), f"the last price was {last:f}")


def _g(grams: Decimal) -> str:
    return f"{grams:,.1f} g".replace(",", " ")
