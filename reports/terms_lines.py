"""Contract terms told line by line in words, and what differs between two versions of them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from reports.assay_exchange import RULE_TEXTS
from reports.terms import (
    MetalTerms,
    PriceBasis,
    SamplingBasis,
    SettleIn,
    Terms,
    WeightBasis,
)


@dataclass(frozen=True)
class TermLine:
    """One term: `key` names it the same in every version."""

    key: str
    label: str
    text: str


@dataclass(frozen=True)
class TermChange:
    """One term that differs; empty where a version lacks it."""

    label: str
    before: str
    after: str


_SETTLE_IN = {SettleIn.METAL: "in metal", SettleIn.MONEY: "in money"}
# What the parties choose, and the charges of a whole lot, in words.
WEIGHED: Final = {
    WeightBasis.RECEIVED: "as received",
    WeightBasis.RECEIVED_DRY: "as received, less its moisture",
    WeightBasis.AFTER_MELT: "after the melt",
}
SAMPLED: Final = {
    SamplingBasis.ANY: "as received or of the melt",
    SamplingBasis.RECEIVED: "as received",
    SamplingBasis.AFTER_MELT: "of the melt",
}

CHARGES: Final = {
    "treatment_minimum": "Least treatment charge",
    "assay_fee": "Assay fee",
    "umpire_fee": "Umpire's fee a metal",
}


def term_lines(terms: Terms) -> tuple[TermLine, ...]:
    """Every term in the order a contract has them."""
    lines = [
        TermLine("settle_in", "Settled", f"{_SETTLE_IN[terms.settle_in]}, {terms.currency}"),
        TermLine("weight_basis", "Weight", WEIGHED[terms.weight_basis]),
        TermLine("sampling_basis", "Sample", SAMPLED[terms.sampling_basis]),
        TermLine("exchanged", "Assays", _exchanged(terms)),
    ]
    for metal in terms.metals:
        lines += _metal(metal, terms)
    lines += [
        TermLine("treatment", "Treatment charge", _treatment(terms)),
        TermLine("penalties", "Penalties", _penalties(terms)),
        *(
            TermLine(name, CHARGES[name], _money(getattr(terms, name), terms))
            for name in ("assay_fee", "umpire_fee")
        ),
        TermLine("price", "Price", _price(terms)),
        TermLine(
            "provisional_percent",
            "Paid for the time being",
            f"{_plain(terms.provisional_percent)} %",
        ),
        TermLine("rounding", "Rounding, halves away from zero", _rounding(terms)),
    ]
    return tuple(lines)


def term_changes(before: Terms | None, after: Terms) -> tuple[TermChange, ...]:
    """What differs, in the order of the later version; everything when there is none before."""
    was = {line.key: line for line in term_lines(before)} if before else {}
    now = {line.key: line for line in term_lines(after)}
    changes = []
    for key in {**now, **was}:
        old, new = was.get(key), now.get(key)
        line = new or old
        assert line is not None
        texts = (old.text if old else "", new.text if new else "")
        if texts[0] != texts[1]:
            changes.append(TermChange(line.label, *texts))
    return tuple(changes)


def _metal(metal: MetalTerms, terms: Terms) -> Iterator[TermLine]:
    symbol = metal.metal
    tiers = "; ".join(
        f"from {_plain(tier.from_ppt)} ‰: {_plain(tier.percent)} %, at least "
        f"{_plain(tier.minimum_deduction_ppt)} ‰ deducted"
        for tier in metal.accountability
    )
    yield TermLine(f"{symbol}.accountability", f"{symbol}: accounted for", tiers)
    if terms.exchanged:
        limit = f"{_plain(metal.splitting_limit_ppt)} ‰; beyond it {RULE_TEXTS[metal.umpire_rule]}"
        yield TermLine(f"{symbol}.exchange", f"{symbol}: splitting limit", limit)
    charge = f"{_plain(metal.refining_charge_per_ozt)} {terms.currency}/ozt payable"
    yield TermLine(f"{symbol}.refining", f"{symbol}: refining charge", charge)


def _exchanged(terms: Terms) -> str:
    if terms.exchanged:
        return "exchanged: each party's own result, an umpire beyond the splitting limit"
    return "the works' result alone counts"


def _treatment(terms: Terms) -> str:
    tiers = "; ".join(
        f"from {_plain(tier.from_kg)} kg: {_plain(tier.per_kg)} {terms.currency}/kg"
        for tier in terms.treatment
    )
    least = terms.treatment_minimum
    parts = [tiers, f"at least {_money(least, terms)}" if least else ""]
    return "; ".join(each for each in parts if each) or "none"


def _penalties(terms: Terms) -> str:
    told = (
        f"{each.element} above {_plain(each.limit_ppt)} ‰: {_plain(each.per_ppt_and_kg)} "
        f"{terms.currency} per ‰ and kg"
        for each in terms.penalties
    )
    return "; ".join(told) or "none"


def _price(terms: Terms) -> str:
    start = f"{terms.period.days_after_receipt} days after the lot came in"
    if terms.price_basis == PriceBasis.DAY:
        return f"of one day, {start}"
    return f"mean of the fixings of {terms.period.days} days, beginning {start}"


def _rounding(terms: Terms) -> str:
    rounding = terms.rounding
    return (
        f"assay {rounding.assay_ppt}, payable {rounding.payable_ppt}, ounces {rounding.ounces}, "
        f"price {rounding.price}, money {rounding.money} decimals"
    )


def _money(amount: Decimal, terms: Terms) -> str:
    return f"{_plain(amount)} {terms.currency}" if amount else "none"


def _plain(number: Decimal) -> str:
    return f"{number.normalize():f}"
