"""What a settlement would come to with another result, price, weight or term. Nothing is kept."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import Any

from config.refusals import refuse
from lots.fineness import parse_fineness
from lots.units import parse_decimal
from reports.models import Settlement
from reports.queries.lot.settlement_statement import case_of, statement_of
from reports.settle import settle
from reports.settlement_lines import (
    Case,
    Change,
    Evidence,
    Figure,
    MetalFigures,
    Statement,
    changes,
)
from reports.terms import parse_terms

SIDES = ("house", "counterparty", "umpire")
_SUPPOSED = (Evidence("supposed", "what-if"),)


@dataclass(frozen=True)
class Supposed:
    """What to suppose instead. Anything left out stays as it was frozen.

    `results` by metal and side ("house", "counterparty", "umpire") in parts per thousand;
    `prices` by metal, money per troy ounce; `weight_g`; `terms` as fields of the contract terms
    that replace the frozen ones; `is_provisional` turns a provisional reckoning into a final one.
    """

    results: Mapping[str, Mapping[str, object]] = field(default_factory=dict)
    prices: Mapping[str, object] = field(default_factory=dict)
    weight_g: object = None
    terms: Mapping[str, Any] = field(default_factory=dict)
    is_provisional: bool | None = None


@dataclass(frozen=True)
class WhatIf:
    """The settlement as it is, as it would be, and the lines that differ."""

    settlement: str
    before: Statement
    after: Statement
    changes: tuple[Change, ...]


def what_if(settlement: Settlement, supposed: Supposed) -> WhatIf:
    """Reckons the settlement again under `supposed`; no line is written and nothing is posted.

    Raises InvalidError naming the supposed figure at fault (`unknown_choice`, `unknown_metal`, and
    what reading a number or terms raises); ConflictError as `settle` does.
    """
    before = statement_of(settlement)
    after = settle(_supposed(case_of(settlement), settlement, supposed))
    return WhatIf(settlement.code, before, after, changes(before, after))


def _supposed(case: Case, settlement: Settlement, supposed: Supposed) -> Case:
    known = {each.metal for each in case.metals}
    for name, given in (("results", supposed.results), ("prices", supposed.prices)):
        for metal in given:
            if metal not in known:
                raise refuse(
                    "unknown_metal:what_if",
                    field=f"{name}.{metal}",
                    value=metal,
                    known=", ".join(sorted(known)),
                )
    weight = case.weight_g
    if supposed.weight_g is not None:
        most = Decimal(10_000_000)
        number = parse_decimal(
            supposed.weight_g, field="weight_g", minimum=Decimal("0.000001"), maximum=most
        )
        weight = Figure(number, _SUPPOSED)
    provisional = supposed.is_provisional
    return replace(
        case,
        terms=parse_terms({**settlement.terms, **supposed.terms}),
        weight_g=weight,
        metals=tuple(_metal(each, supposed) for each in case.metals),
        is_provisional=case.is_provisional if provisional is None else provisional,
    )


def _metal(given: MetalFigures, supposed: Supposed) -> MetalFigures:
    results = supposed.results.get(given.metal, {})
    figures: dict[str, Figure] = {}
    for side, value in results.items():
        path = f"results.{given.metal}.{side}"
        if side not in SIDES:
            raise refuse("unknown_choice:what_if", field=path, value=side, sides=", ".join(SIDES))
        figures[side] = Figure(parse_fineness(value, field=path), _SUPPOSED)
    fixings = given.fixings
    if given.metal in supposed.prices:
        path = f"prices.{given.metal}"
        price = parse_decimal(
            supposed.prices[given.metal],
            field=path,
            minimum=Decimal("0.0001"),
            maximum=Decimal(10_000_000),
        )
        fixings = (Figure(price, _SUPPOSED),)
    return MetalFigures(
        metal=given.metal,
        house=figures.get("house", given.house),
        counterparty=figures.get("counterparty", given.counterparty),
        umpire=figures.get("umpire", given.umpire),
        declared=None if "house" in figures else given.declared,
        fixings=fixings,
    )
