"""A ledger in plain Python to hold the real one against: sums over a list, nothing clever.

It knows no database, no running balance and no service: a balance at a moment is the sum of what
had happened by then.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction

NEW = "the lot that begins with this movement"
HOUSE = "house"


def half_even(value: Fraction) -> int:
    return round(value)


def larger_remainder(total: int, part: int, whole: int) -> int:
    """The first of two shares when a microgram left over goes to the larger remainder."""
    exact = Fraction(total * part, whole)
    down = int(exact)
    return down + (1 if exact - down >= Fraction(1, 2) else 0)


@dataclass
class Event:
    """One movement: signed micrograms by what they are of, at an hour of the day."""

    hour: int
    metals: Counter[tuple[Hashable, str, str]] = field(default_factory=Counter)
    masses: Counter[Hashable] = field(default_factory=Counter)
    claims: Counter[tuple[str, str]] = field(default_factory=Counter)
    owners: dict[Hashable, str] = field(default_factory=dict)

    def mirrored(self) -> Event:
        return Event(
            self.hour,
            Counter({key: -ug for key, ug in self.metals.items()}),
            Counter({key: -ug for key, ug in self.masses.items()}),
            Counter({key: -ug for key, ug in self.claims.items()}),
        )

    def named(self, lot: Hashable) -> Event:
        """The same with the new lot's own name."""
        return Event(
            self.hour,
            Counter({(lot if k[0] == NEW else k[0], *k[1:]): n for k, n in self.metals.items()}),
            Counter({lot if k == NEW else k: n for k, n in self.masses.items()}),
            self.claims,
            {lot if k == NEW else k: owner for k, owner in self.owners.items()},
        )


@dataclass
class ReferenceLedger:
    """Every event recorded so far, in the order recorded."""

    events: list[Event] = field(default_factory=list)

    def metals(self, lot: Hashable, hour: int) -> dict[str, int]:
        sums: Counter[str] = Counter()
        for event in self.events:
            if event.hour <= hour:
                for (of, _, metal), ug in event.metals.items():
                    if of == lot:
                        sums[metal] += ug
        return {metal: ug for metal, ug in sums.items() if ug}

    def mass(self, lot: Hashable, hour: int) -> int:
        return sum(event.masses[lot] for event in self.events if event.hour <= hour)

    def owner(self, lot: Hashable, hour: int) -> str:
        """By the latest hour up to then, and of one hour by the latest recorded."""
        told = [e for e in self.events if e.hour <= hour and lot in e.owners]
        return max(told, key=lambda e: (e.hour, self.events.index(e))).owners[lot]

    def claims(self) -> dict[tuple[str, str], int]:
        sums: Counter[tuple[str, str]] = Counter()
        for event in self.events:
            sums.update(event.claims)
        return {key: ug for key, ug in sums.items() if ug}

    def goes_below_zero(self, event: Event) -> bool:
        """Whether anything an event lowers is then below zero at any hour from its own on."""
        after = [*self.events, event]
        return any(
            sum(getattr(e, name)[key] for e in after if e.hour <= hour) < 0
            for name, key in self._lowered(event)
            for hour in sorted({e.hour for e in after if e.hour >= event.hour})
        )

    def _lowered(self, event: Event) -> Iterator[tuple[str, Hashable]]:
        for name in ("metals", "masses", "claims"):
            for key, ug in getattr(event, name).items():
                if ug < 0 and not (name == "claims" and key[0] == HOUSE):
                    yield name, key

    def taken(self, lot: Hashable, twelfths: int, event: Event) -> dict[str, int] | None:
        """Takes so many twelfths of a lot's mass out of it in `event`; None when there is none."""
        held, mass = self.metals(lot, event.hour), self.mass(lot, event.hour)
        part = mass * twelfths // 12
        if part <= 0:
            return None
        owner = self.owner(lot, event.hour)
        out = {metal: half_even(Fraction(ug * part, mass)) for metal, ug in held.items()}
        for metal, ug in out.items():
            event.metals[lot, owner, metal] -= ug
        event.masses[lot] -= part
        return out

    def join(
        self, lot: Hashable, owner: str, giver: str, out: dict[str, int], event: Event
    ) -> None:
        """What was taken comes into a lot of `owner`; who gave to the house's has a claim."""
        for metal, ug in out.items():
            event.metals[lot, owner, metal] += ug
            if owner == HOUSE and giver != HOUSE:
                event.claims[giver, metal] += ug
                event.claims[HOUSE, metal] -= ug

    def settle_house(self, event: Event) -> Event:
        """The house's claim follows the pool, less what customers gained of it by the event."""
        for (_, owner, metal), ug in event.metals.items():
            if owner == HOUSE:
                event.claims[HOUSE, metal] += ug
        return event
