"""One matter that needs a person, and how soon."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from enum import IntEnum
from typing import Final

LISTED_MAX: Final = 12
TRIFLE_UG: Final = 50_000


class Urgency(IntEnum):
    """The lower, the sooner."""

    NOW = 1
    TODAY = 2
    SOON = 3


@dataclass(frozen=True)
class Attention:
    """One matter: `kind` names it, `about` the thing by which a page is found, `text` says it.

    `stake_ug` by metal is what is at stake in it; `is_beyond` where that is more than its limit of
    error allows.
    """

    urgency: Urgency
    kind: str
    about: str
    text: str
    since: dt.datetime | None = None
    stake_ug: Mapping[str, int] = field(default_factory=dict)
    is_beyond: bool = False


def by_stake(found: Iterable[Attention], price_of: Mapping[str, Decimal]) -> list[Attention]:
    """What is beyond its limit of error first, then by urgency, each the dearest first.

    `price_of` a microgram by metal, in one currency; a metal without counts as silver does by mass.
    """

    def worth(each: Attention) -> Decimal:
        least = min(price_of.values(), default=Decimal(1))
        return sum((price_of.get(m, least) * ug for m, ug in each.stake_ug.items()), Decimal(0))

    return sorted(found, key=lambda each: (not each.is_beyond, each.urgency, -worth(each)))


def gathered(found: Sequence[Attention]) -> tuple[list[Attention], list[Attention]]:
    """The matters worth a line each, and the trifles: under `TRIFLE_UG` and within their limit."""
    small = [
        each
        for each in found
        if each.stake_ug and not each.is_beyond and sum(each.stake_ug.values()) < TRIFLE_UG
    ]
    return [each for each in found if each not in small], small
