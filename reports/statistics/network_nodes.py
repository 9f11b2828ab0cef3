"""What a month's network keeps of each lot while it is built: sums of flows, and grades."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

Terms = dict[int, float]


@dataclass(frozen=True)
class Stream:
    """One metal's flow in one movement: `figure` is its number among the equations, in grams."""

    movement: int
    metal: str
    giver: str
    taker: str
    figure: int


@dataclass
class Node:
    """A lot while the month is built: sums of flows so far, and its grades since it last changed.

    `is_open`: nobody assayed it, so metals that were not declared may be in it.
    """

    content: dict[str, Terms] = field(default_factory=dict)
    amount: Terms | None = None
    grades: dict[str, int] = field(default_factory=dict)
    book: dict[str, float] = field(default_factory=dict)
    reported: set[str] = field(default_factory=set)
    fallen: dict[str, int] = field(default_factory=dict)
    is_open: bool = False


def add(terms: Terms, number: int, factor: float) -> None:
    total = terms.get(number, 0.0) + factor
    if total:
        terms[number] = total
    else:
        terms.pop(number, None)


def joined(amounts: Sequence[Terms | None]) -> Terms | None:
    whole: Terms = {}
    for amount in amounts:
        if amount is None:
            return None
        for number, factor in amount.items():
            add(whole, number, factor)
    return whole
