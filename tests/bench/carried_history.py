"""Movements of a works whose electrolyte goes from run to run (all of it invented).

Each run mixes new feed with what the electrolyte carries over; slimes are recovered and cement
silver goes back into a charge, so that origins mix in circles for as long as the history lasts.
"""

from __future__ import annotations

import datetime as dt
import random
from typing import Final

from lots.traces.trace_steps import Holder, Step

START: Final = dt.datetime(2020, 1, 6, 8, 0, tzinfo=dt.UTC)
CELLS: Final = 2


class CarriedHistory:
    """Builds steps round by round; `held` is what each lot holds of silver, micrograms."""

    def __init__(self, seed: int) -> None:
        self.draw = random.Random(seed)
        self.steps: list[Step] = []
        self.entries = 0
        self.lots = 0
        self.held: dict[int, int] = {}
        self.baths = [self.filled(1_200_000_000, "supplies") for _ in range(CELLS)]
        self.bags: list[int] = []

    def new_lot(self) -> int:
        self.lots += 1
        self.held[self.lots] = 0
        return self.lots

    def move(self, lines: dict[Holder, int]) -> None:
        """One movement of silver, an hour after the one before."""
        assert sum(lines.values()) == 0
        at = START + dt.timedelta(hours=len(self.steps))
        told = [(holder, "Ag", ug) for holder, ug in lines.items() if ug]
        self.steps.append(Step(at, len(self.steps) + 1, told))
        self.entries += len(told)
        for holder, ug in lines.items():
            if isinstance(holder, int):
                self.held[holder] += ug

    def filled(self, mass_ug: int, account: str) -> int:
        lot = self.new_lot()
        self.move({account: -mass_ug, lot: mass_ug})
        return lot

    def round(self, number: int) -> None:
        """A receipt, a charge and a run; every tenth a recovery of slimes and a cementation."""
        cell = number % CELLS
        feed = self.filled(self.draw.randrange(200_000_000, 2_000_000_000), "received")
        charge = self.new_lot()
        self.move({feed: -self.held[feed], charge: self.held[feed]})
        self.run(cell, charge)
        if number % 10 == 9:
            self.recover(cell)

    def run(self, cell: int, charge: int) -> None:
        bath, crystal, bag, after = self.baths[cell], *(self.new_lot() for _ in range(3))
        whole = self.held[charge] + self.held[bath]
        kept = self.held[bath] * self.draw.randrange(850, 1001) // 1000
        slimes = self.held[charge] * self.draw.randrange(2, 20) // 1000
        lost = whole // 4000
        fine = whole - kept - slimes - lost
        given: dict[Holder, int] = {charge: -self.held[charge], bath: -self.held[bath]}
        self.move(given | {crystal: fine, bag: slimes, after: kept, "cell-difference": lost})
        self.baths[cell] = after
        self.bags.append(bag)
        if self.draw.randrange(4):
            self.move({crystal: -self.held[crystal], "shipped": self.held[crystal]})

    def recover(self, cell: int) -> None:
        """Slimes and a bleed of the bath give metal that tops the other cell's bath up."""
        bath, cement = self.baths[cell], self.new_lot()
        bled = self.held[bath] // 10
        given: dict[Holder, int] = {bag: -self.held[bag] for bag in self.bags}
        whole = bled + sum(self.held[bag] for bag in self.bags)
        lost = whole // 200
        given |= {bath: -bled, cement: whole - lost, "recovery-difference": lost}
        self.move(given)
        other = self.baths[(cell + 1) % CELLS]
        self.move({cement: -self.held[cement], other: self.held[cement]})
        self.bags.clear()


def carried_history(entries: int, seed: int = 20260504) -> CarriedHistory:
    """A history of at least so many entries."""
    history = CarriedHistory(seed)
    number = 0
    while history.entries < entries:
        history.round(number)
        number += 1
    return history
