"""Drafts a reply to a customer's question from the facts put together for it. A person sends it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Decimal

from lots import display


@dataclass(frozen=True)
class Whereabouts:
    """One metal of the lot: what came in, where it is by heading, what is lost (micrograms)."""

    metal: str
    entered_ug: int
    where_ug: dict[str, int]
    lost_ug: int


@dataclass(frozen=True)
class Compared:
    """One metal's results, parts per thousand, and whether they agree within uncertainties."""

    metal: str
    house: Decimal
    counterparty: Decimal
    umpire: Decimal | None
    difference: Decimal
    allowed: Decimal
    within: bool


@dataclass(frozen=True)
class Facts:
    """What the reply rests on. `weights` and `outcomes` are whole sentences' worth of text."""

    house: str
    customer: str
    lot: str
    question: str
    weights: Sequence[str]
    withheld: str
    compared: Sequence[Compared]
    outcomes: Sequence[str]
    whereabouts: Sequence[Whereabouts]
    payable_ug: dict[str, int] = field(default_factory=dict)
    total: str = ""
    settlement: str = ""
    deference: str = ""


def draft_reply(facts: Facts) -> str:
    """A plain letter: weights, results side by side, how they were settled, where the metal is."""
    paragraphs = [
        f"To {facts.customer}, about lot {facts.lot}.",
        f"You asked: {facts.question.strip()}",
    ]
    if facts.weights:
        paragraphs.append("Weights: " + "; ".join(facts.weights) + ".")
    if facts.withheld:
        paragraphs.append(facts.withheld)
    paragraphs += [_compared(each) for each in facts.compared]
    paragraphs += list(facts.outcomes)
    paragraphs += [_whereabouts(each) for each in facts.whereabouts]
    if facts.payable_ug:
        payable = "; ".join(f"{metal} {_mass(ug)}" for metal, ug in facts.payable_ug.items())
        by = f" by settlement {facts.settlement}" if facts.settlement else ", as an estimate"
        paragraphs.append(f"Payable{by}: {payable}.")
    if facts.total:
        paragraphs.append(f"Balance due to you (negative: charged to you): {facts.total}.")
    paragraphs += [facts.deference, facts.house]
    return "\n\n".join(each for each in paragraphs if each)


def _compared(each: Compared) -> str:
    verdict = (
        "no more than the uncertainties of the two methods allow"
        if each.within
        else "more than the uncertainties of the two methods allow"
    )
    text = (
        f"{each.metal}: our result {each.house:f} ‰ (parts per thousand), yours "
        f"{each.counterparty:f} ‰. They differ by {each.difference:f} ‰, "
        f"{verdict} ({each.allowed:f} ‰ at 95 %)."
    )
    return text if each.umpire is None else f"{text} The umpire found {each.umpire:f} ‰."


def _whereabouts(each: Whereabouts) -> str:
    if not each.where_ug:
        return f"{_mass(each.entered_ug)} of {each.metal} came in with the lot."
    places = "; ".join(f"{name} {_mass(ug)}" for name, ug in each.where_ug.items())
    text = f"Of the {_mass(each.entered_ug)} of {each.metal} that came in with the lot: {places}."
    if not each.lost_ug:
        return text
    percent = f"{Decimal(100 * each.lost_ug) / each.entered_ug:.2f}"
    return f"{text} Losses and differences together are {percent} % of it."


def _mass(mass_ug: int) -> str:
    return f"{display.grams(mass_ug)} ({display.ounces(mass_ug)})"
