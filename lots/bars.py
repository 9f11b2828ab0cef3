"""What a bar weighs in the trade's own steps, what fine metal it holds, and by which rule.

Large bars follow the London Good Delivery rules (LBMA); small gold bars follow a table that the
market has agreed, which no formula reproduces. Every answer states the rule that gave it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Context, Decimal, localcontext
from types import MappingProxyType
from typing import Final, Literal

from config.refusals import RefusalError, refuse
from lots.fineness import WHOLE_PPT, parse_fineness
from lots.units import UG_PER_OZT, parse_decimal

Direction = Literal["down", "half up", "half even"]
Basis = Literal["formula", "agreed table"]

_EXACT: Final = Context(prec=60, rounding=ROUND_HALF_EVEN)
# A bar of exactly so many troy ounces is not a whole number of micrograms, so its booked mass may
# fall short of the step by the ledger's own rounding, half a microgram.
_LEDGER_ROUNDING_UG: Final = Decimal("0.5")


@dataclass(frozen=True)
class RoundingRule:
    """A direction and a step, in the unit of whatever is rounded."""

    direction: Direction
    step: Decimal

    def __str__(self) -> str:
        return f"rounded {self.direction} to {self.step}"

    def apply(self, value: Decimal) -> Decimal:
        """`value` (zero or more) at the step; raises ValueError for less than zero."""
        if value < 0:
            raise ValueError("only weights are rounded here, and a weight is not negative")
        with localcontext(_EXACT):
            steps, rest = divmod(value, self.step)
            twice = 2 * rest
            if (self.direction == "half up" and twice >= self.step) or (
                self.direction == "half even"
                and (twice > self.step or (twice == self.step and steps % 2))
            ):
                steps += 1
            return steps * self.step


# Gold: LBMA Good Delivery Rules, Annex B; "rounded down to the nearest 0.025" as quoted in the
# specification of the London good delivery bar. Silver: the same specification, 0.10 ounce.
GROSS_RULES: Final[Mapping[str, RoundingRule]] = MappingProxyType(
    {
        "Au": RoundingRule("down", Decimal("0.025")),
        "Ag": RoundingRule("down", Decimal("0.1")),
    }
)
# LBMA Good Delivery Rules, Annex B: the beam must turn, by two divisions of 0.001 ounce.
TURN_OF_SCALE_OZT: Final = Decimal("0.002")
# Fine weight of gold: reproduces the sample list of LBMA Good Delivery Rules, Annex C, and the
# ounce bars of the agreed table. London's silver list has no fine weight.
GOLD_FINE_RULE: Final = RoundingRule("half up", Decimal("0.001"))
WEIGHT_LIST_SOURCE: Final = "LBMA Good Delivery Rules, Annex C (weight lists)"


@dataclass(frozen=True)
class GrossWeight:
    """A bar's gross weight in troy ounces at the trade's step, and the rule that gave it."""

    metal: str
    mass_ug: int
    gross_ozt: Decimal
    rule: str


@dataclass(frozen=True)
class FineWeight:
    """Fine troy ounces, on which basis, by which rule and from which source."""

    metal: str
    bar: str
    assay_ppt: Decimal
    fine_ozt: Decimal
    basis: Basis
    rule: str
    source: str


@dataclass(frozen=True)
class BarTable:
    """Fine ounces agreed for named bars at named assays, where the market uses no formula."""

    metal: str
    name: str
    source: str
    assays_ppt: tuple[Decimal, ...]
    fine_ozt: Mapping[str, tuple[Decimal, ...]]


def gross_weight(
    metal: str, mass_ug: int, *, turn_of_scale: bool = False, agreed: RoundingRule | None = None
) -> GrossWeight:
    """The gross weight of a gold or silver bar in troy ounces, rounded down to the trade's step.

    Gold goes by 0.025 and silver by 0.1 ounce. With `turn_of_scale` (gold on a beam balance) a bar
    that exceeds the step by less than 0.002 ounce loses one step. A mass within half a microgram of
    the step counts as reaching it. `agreed` is another rule of the parties', for any metal. Raises
    InvalidError `no_bar_rule`, `two_rules` or `not_positive`.
    """
    if agreed is not None:
        return _gross_as_agreed(metal, mass_ug, agreed, turn_of_scale)
    rule = GROSS_RULES.get(metal)
    if rule is None or (turn_of_scale and metal != "Au"):
        raise refuse("no_bar_rule", field="metal", value=metal)
    if mass_ug <= 0:
        raise _weightless("mass", mass_ug)
    with localcontext(_EXACT):
        steps, over_ug = divmod(mass_ug + _LEDGER_ROUNDING_UG, rule.step * UG_PER_OZT)
        if turn_of_scale and steps and over_ug < TURN_OF_SCALE_OZT * UG_PER_OZT:
            steps -= 1
        gross_ozt = steps * rule.step
    stated = f"{rule} ozt"
    if turn_of_scale:
        stated += f", one step less unless exceeded by {TURN_OF_SCALE_OZT} ozt"
    return GrossWeight(metal, mass_ug, gross_ozt, stated)


def _gross_as_agreed(
    metal: str, mass_ug: int, rule: RoundingRule, turn_of_scale: bool
) -> GrossWeight:
    if turn_of_scale:
        raise refuse("two_rules", field="turn_of_scale")
    if mass_ug <= 0:
        raise _weightless("mass", mass_ug)
    allowance_ug = _LEDGER_ROUNDING_UG if rule.direction == "down" else Decimal(0)
    with localcontext(_EXACT):
        gross_ozt = rule.apply((mass_ug + allowance_ug) / UG_PER_OZT)
    if gross_ozt <= 0:
        raise _weightless("mass", mass_ug)
    return GrossWeight(metal, mass_ug, gross_ozt, f"{rule} ozt, agreed between the parties")


def fine_weight(
    metal: str, gross_ozt: Decimal, assay_ppt: Decimal, rule: RoundingRule | None = None
) -> FineWeight:
    """Gross times assay over 1000, in troy ounces, rounded half up to 0.001 for gold.

    No published rule was found for the other metals, so those need a `rule` that the parties have
    agreed. Raises InvalidError `no_bar_rule`, or as `bar_weight_ozt` and `parse_fineness` do.
    """
    assay_ppt = parse_fineness(assay_ppt, field="assay")
    source = "agreed between the parties" if rule else WEIGHT_LIST_SOURCE
    if rule is None and metal == "Au":
        rule = GOLD_FINE_RULE
    if rule is None:
        raise refuse("no_bar_rule:bars", field="metal", value=metal)
    gross_ozt = bar_weight_ozt(gross_ozt)
    with localcontext(_EXACT):
        exact_ozt = gross_ozt * assay_ppt / WHOLE_PPT
    return FineWeight(
        metal=metal,
        bar=f"{gross_ozt} ozt gross",
        assay_ppt=assay_ppt,
        fine_ozt=rule.apply(exact_ozt),
        basis="formula",
        rule=f"gross x assay / 1000, {rule} ozt",
        source=source,
    )


def bar_weight_ozt(gross_ozt: object, *, field: str = "gross") -> Decimal:
    """A bar's weight in troy ounces. Raises InvalidError `not_positive`, or as `parse_decimal`."""
    weight_ozt = parse_decimal(gross_ozt, field=field)
    if weight_ozt <= 0:
        raise _weightless(field, gross_ozt)
    return weight_ozt


def _weightless(field: str, value: object) -> RefusalError:
    return refuse("not_positive:bars", field=field, value=value)


def _row(*ounces: str) -> tuple[Decimal, ...]:
    return tuple(Decimal(fine_ozt) for fine_ozt in ounces)


SMALL_GOLD_BARS: Final = BarTable(
    metal="Au",
    name="small gold bars, London",
    source=(
        "LBMA table of bar weights and their agreed fine gold content, as reproduced in Gold "
        "Conversion Tables (goldbarsworldwide.com)"
    ),
    assays_ppt=_row("995.0", "999.0", "999.9"),
    fine_ozt=MappingProxyType(
        {
            "1 kg": _row("31.990", "32.119", "32.148"),
            "500 g": _row("15.995", "16.059", "16.074"),
            "250 g": _row("7.998", "8.030", "8.037"),
            "200 g": _row("6.398", "6.424", "6.430"),
            "100 g": _row("3.199", "3.212", "3.215"),
            "50 g": _row("1.600", "1.607", "1.608"),
            "20 g": _row("0.640", "0.643", "0.643"),
            "10 g": _row("0.321", "0.322", "0.322"),
            "5 g": _row("0.161", "0.161", "0.161"),
            "100 ozt": _row("99.500", "99.900", "99.990"),
            "50 ozt": _row("49.750", "49.950", "49.995"),
            "25 ozt": _row("24.875", "24.975", "24.998"),
            "10 ozt": _row("9.950", "9.990", "9.999"),
            "5 ozt": _row("4.975", "4.995", "5.000"),
            "1 ozt": _row("0.995", "0.999", "1.000"),
            "10 tola": _row("3.731", "3.746", "3.750"),
            "5 tael": _row("5.987", "6.011", "6.017"),
        }
    ),
)


def small_bar_fine_weight(
    bar: str, assay_ppt: Decimal, table: BarTable = SMALL_GOLD_BARS
) -> FineWeight:
    """The fine ounces agreed for a small bar, such as "100 g" at 999.9, looked up and not computed.

    Raises InvalidError `bar_not_in_table` or `assay_not_in_table`.
    """
    if bar not in table.fine_ozt:
        raise refuse("bar_not_in_table", field="bar", value=bar, table=", ".join(table.fine_ozt))
    if assay_ppt not in table.assays_ppt:
        raise refuse(
            "assay_not_in_table",
            field="assay",
            value=assay_ppt,
            str=", ".join(map(str, table.assays_ppt)),
        )
    column = table.assays_ppt.index(assay_ppt)
    return FineWeight(
        metal=table.metal,
        bar=bar,
        assay_ppt=table.assays_ppt[column],
        fine_ozt=table.fine_ozt[bar][column],
        basis="agreed table",
        rule=f"agreed table: {table.name}",
        source=table.source,
    )
