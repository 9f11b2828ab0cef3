"""Two parties' results for one metal become the one that is settled on.

Each party reports its own result. Within the splitting limit their mean settles; beyond it an
umpire's result decides, by the rule the parties agreed. All rules here are common practice, no
source; the parties' contract says which applies.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from math import hypot
from typing import Final

from reports.formulas import evaluate

# Coverage factor of a 95 % interval of a normal distribution (JCGM 100:2008, table G.1: 1.960).
COVERAGE_FACTOR: Final = 1.96


class UmpireRule(StrEnum):
    """How an umpire's result decides."""

    NEARER = "nearer"
    MEAN_WITH_NEARER = "mean_with_nearer"
    MIDDLE = "middle"
    UMPIRE = "umpire"


RULE_TEXTS: Final[dict[UmpireRule, str]] = {
    UmpireRule.NEARER: "the result of the party nearer to the umpire's settles",
    UmpireRule.MEAN_WITH_NEARER: "the mean of the umpire's and the nearer party's result settles",
    UmpireRule.MIDDLE: "the middle one of the three results settles",
    UmpireRule.UMPIRE: "the umpire's result settles",
}


class Branch(StrEnum):
    """Which way the exchange went."""

    SOLE = "sole"
    WITHIN_LIMIT = "within_limit"
    UMPIRE_NEEDED = "umpire_needed"
    NEARER_HOUSE = "nearer_house"
    NEARER_COUNTERPARTY = "nearer_counterparty"
    EQUALLY_NEAR = "equally_near"


class FeePayer(StrEnum):
    """Who pays the umpire: the party further from the umpire's result, or both by halves."""

    NOBODY = ""
    HOUSE = "house"
    COUNTERPARTY = "counterparty"
    SHARED = "shared"


@dataclass(frozen=True)
class Exchange:
    """What was exchanged for one metal, parts per thousand; `counterparty` None: not exchanged."""

    house_ppt: Decimal
    counterparty_ppt: Decimal | None
    splitting_limit_ppt: Decimal
    rule: UmpireRule
    umpire_ppt: Decimal | None = None
    decimals: int = 3


@dataclass(frozen=True)
class Outcome:
    """The settled result (None while an umpire is needed), how it came about and who pays."""

    settled_ppt: Decimal | None
    branch: Branch
    fee_payer: FeePayer
    formula: str
    explanation: str


@dataclass(frozen=True)
class Agreement:
    """Whether two results differ by no more than their uncertainties allow."""

    difference_ppt: Decimal
    allowed_ppt: Decimal
    coverage_factor: float
    within: bool


# Names in the formulas: `house`, `counterparty`, `umpire`, `limit`.
_MEAN: Final = "(house+counterparty)/2"
_NEARER: Final = (
    "IF(ABS(house-umpire)<ABS(counterparty-umpire),{house},"
    "IF(ABS(counterparty-umpire)<ABS(house-umpire),{counterparty},umpire))"
)
_BY_RULE: Final[dict[UmpireRule, str]] = {
    UmpireRule.NEARER: _NEARER.format(house="house", counterparty="counterparty"),
    UmpireRule.MEAN_WITH_NEARER: _NEARER.format(
        house="(house+umpire)/2", counterparty="(counterparty+umpire)/2"
    ),
    UmpireRule.MIDDLE: "MEDIAN(house,counterparty,umpire)",
    UmpireRule.UMPIRE: "umpire",
}


def settle_exchange(exchange: Exchange) -> Outcome:
    """The settled result of one metal, rounded half up to `decimals` places.

    A difference equal to the splitting limit is within it. An umpire's result is not looked at
    while the parties are within the limit. Common practice, no source.
    """
    house, other, umpire = exchange.house_ppt, exchange.counterparty_ppt, exchange.umpire_ppt
    if other is None:
        formula = f"ROUND(house,{exchange.decimals})"
        return _outcome(
            exchange, formula, Branch.SOLE, "Only the house's result is agreed to count."
        )
    difference = abs(house - other)
    limit = exchange.splitting_limit_ppt
    if difference <= limit:
        text = (
            f"The results differ by {difference}, within the limit of {limit}: their mean settles."
        )
        return _outcome(exchange, exchange_formula(exchange), Branch.WITHIN_LIMIT, text)
    if umpire is None:
        text = f"The results differ by {difference}, over the limit of {limit}: an umpire decides."
        return Outcome(None, Branch.UMPIRE_NEEDED, FeePayer.NOBODY, "", text)
    branch = _branch(abs(house - umpire), abs(other - umpire))
    text = (
        f"The results differ by {difference}, over the limit of {limit}. "
        f"The umpire found {umpire}: {RULE_TEXTS[exchange.rule]}."
    )
    return _outcome(exchange, exchange_formula(exchange), branch, text)


def exchange_formula(exchange: Exchange) -> str:
    """The formula over house, counterparty, limit and, where there is one, umpire."""
    if exchange.umpire_ppt is None:
        return f"ROUND({_MEAN},{exchange.decimals})"
    by_rule = _BY_RULE[exchange.rule]
    return f"ROUND(IF(ABS(house-counterparty)<=limit,{_MEAN},{by_rule}),{exchange.decimals})"


def agreement_of(
    house_ppt: Decimal,
    u_house_ppt: Decimal,
    counterparty_ppt: Decimal,
    u_counterparty_ppt: Decimal,
    *,
    coverage_factor: float = COVERAGE_FACTOR,
) -> Agreement:
    """Whether |a - b| <= k sqrt(u(a)^2 + u(b)^2), for independent results.

    Parts per thousand; combined after JCGM 100:2008, 5.1.2.
    """
    allowed = coverage_factor * hypot(float(u_house_ppt), float(u_counterparty_ppt))
    difference = abs(house_ppt - counterparty_ppt)
    return Agreement(
        difference_ppt=difference,
        allowed_ppt=Decimal(f"{allowed:.4f}"),
        coverage_factor=coverage_factor,
        within=float(difference) <= allowed,
    )


_PAYER: Final[dict[Branch, FeePayer]] = {
    Branch.NEARER_HOUSE: FeePayer.COUNTERPARTY,
    Branch.NEARER_COUNTERPARTY: FeePayer.HOUSE,
    Branch.EQUALLY_NEAR: FeePayer.SHARED,
}


def _branch(from_house: Decimal, from_counterparty: Decimal) -> Branch:
    if from_house < from_counterparty:
        return Branch.NEARER_HOUSE
    if from_counterparty < from_house:
        return Branch.NEARER_COUNTERPARTY
    return Branch.EQUALLY_NEAR


def _outcome(exchange: Exchange, formula: str, branch: Branch, explanation: str) -> Outcome:
    values = {
        "house": exchange.house_ppt,
        "counterparty": exchange.counterparty_ppt,
        "umpire": exchange.umpire_ppt,
        "limit": exchange.splitting_limit_ppt,
    }
    known = {name: value for name, value in values.items() if value is not None}
    return Outcome(
        settled_ppt=evaluate(formula, known),
        branch=branch,
        fee_payer=_PAYER.get(branch, FeePayer.NOBODY),
        formula=formula,
        explanation=explanation,
    )
