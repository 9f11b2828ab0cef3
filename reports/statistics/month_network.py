"""What ties the month's measurements together? The network is built from plain rows of the ledger.

Nodes are lots (and vessels, charges and baths, which are lots too), streams are what moved between
them, metal by metal. What was weighed, assayed, measured by volume or counted in coulombs are the
readings; what the books worked out by difference is left unknown. Metal is conserved at every node,
what is taken out of a lot has that lot's grade, and in a cell the charge that dissolves equals the
charge that plates:

    Ag plated = Ag dissolved + 2 M(Ag)/M(Cu) Cu dissolved + 2 M(Ag)/M(Pd) Pd dissolved

Masses are in grams, volumes in litres, grades in grams per gram or grams per litre.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Final

from lots.elements import ATOMIC_WEIGHTS, METALS, STAYS_IN_SLIMES, VALENCE_IN_SILVER_CELL
from reports.statistics.equations import Equations
from reports.statistics.month_rows import (
    OUTSIDE,
    Analysed,
    Bagged,
    Brought,
    Closed,
    Event,
    Grades,
    Harvested,
    Moved,
    Output,
    Portion,
    Reading,
    Weighed,
)
from reports.statistics.network_nodes import Node, Stream, Terms, add, joined
from reports.statistics.uncertainty import Figure

DISSOLVED: Final = ("Ag", "Cu", "Pd")
SILVER_PER_DISSOLVED: Final = {
    metal: float(
        VALENCE_IN_SILVER_CELL[metal] * ATOMIC_WEIGHTS["Ag"].value / ATOMIC_WEIGHTS[metal].value
    )
    for metal in DISSOLVED
}
# The least mass for which a process is allowed a loss of its own, in grams: a bead of metal.
LEAST_LOSS_G: Final = 0.02


class MonthNetwork:
    """The equations of a month, its streams, and for each lot what it holds in the end."""

    def __init__(self, events: Sequence[Event]) -> None:
        self.equations = Equations()
        self.streams: list[Stream] = []
        self._nodes: dict[str, Node] = {}
        for event in events:
            self._steps[type(event)](self, event)
        self.holdings = self._holdings()

    # The events, one by one

    def _bring(self, event: Brought) -> None:
        node = self._node(event.lot)
        for metal, mass_g in event.metals.items():
            node.book[metal] = mass_g
            reading = event.readings.get(metal)
            number = (
                self._unknown(f"{metal} brought in {event.lot}", mass_g)
                if reading is None
                else self._read(reading)
            )
            node.content[metal] = {number: 1.0}
            if event.from_outside is not None:
                self._stream(event.from_outside, metal, OUTSIDE, event.lot, number)
        if event.amount is not None:
            node.amount = {self._read(event.amount): 1.0}
        node.is_open = len(event.readings) < len(event.metals) and not event.grades
        self._grade(event.lot, event.grades)

    def _move(self, event: Moved) -> None:
        flows: dict[str, Terms] = {}
        amounts: list[Terms | None] = []
        taker = self._node(event.taker) if event.taker != OUTSIDE else Node()
        for portion in event.givers:
            amounts.append(self._give(event, portion, flows))
            for metal, mass_g in portion.metals.items():
                taker.book[metal] = taker.book.get(metal, 0.0) + mass_g
        for metal, reading in event.supplies.items():
            number = self._read(reading)
            flows.setdefault(metal, {})[number] = 1.0
            taker.book[metal] = taker.book.get(metal, 0.0) + reading.figure.value
            self._stream(event.number, metal, OUTSIDE, event.taker, number)
        if event.taker == OUTSIDE:
            return
        givers = [self._node(portion.lot) for portion in event.givers]
        is_open = any(giver.is_open for giver in givers) and not event.grades
        taker.is_open = taker.is_open or is_open
        for metal in event.grades or (METALS if is_open else ()):
            # There may be what nobody declared of the lots that went in.
            if (metal not in flows and event.givers) or is_open:
                number = self._unknown(f"{metal} undeclared in movement {event.number}", 0.0)
                flows.setdefault(metal, {})[number] = 1.0
        for metal, terms in flows.items():
            taker.content.setdefault(metal, {}).update(terms)
            if event.loss:
                share = event.loss * sum(portion.metals.get(metal, 0.0) for portion in event.givers)
                self._lose(taker, metal, f"movement {event.number}", share)
        taker.grades.clear()
        if event.amount is not None:
            taker.amount = {self._read(event.amount): 1.0}
        elif event.givers:
            taker.amount = joined([taker.amount, *amounts] if taker.amount else amounts)
        self._grade(event.taker, event.grades)

    def _give(self, event: Moved, portion: Portion, flows: dict[str, Terms]) -> Terms | None:
        """Takes a portion out of its lot; returns how much it was, if that is known."""
        node = self._node(portion.lot)
        quantity = None if portion.amount is None else self._read(portion.amount)
        for metal in sorted(set(node.content) | set(portion.metals)):
            name = f"{metal} of {portion.lot} in movement {event.number}"
            if portion.is_all:
                number = self._all_of(portion.lot, metal)
            elif quantity is None or node.amount is None:
                number = self._unknown(name, portion.metals.get(metal, 0.0))
            else:
                grade = self._grade_of(portion.lot, metal)
                number = self.equations.product_of(f"{name} to {event.taker}", quantity, grade)
            add(node.content.setdefault(metal, {}), number, -1.0)
            add(flows.setdefault(metal, {}), number, 1.0)
            self._stream(event.number, metal, portion.lot, event.taker, number)
        gone = node.amount if portion.is_all else {quantity: 1.0} if quantity is not None else None
        if portion.is_all:
            node.content.clear()
            node.amount = {}
        elif node.amount is not None and gone is not None:
            node.amount = dict(node.amount)
            for number, factor in gone.items():
                add(node.amount, number, -factor)
        else:
            node.amount = None
        return gone

    def _put_out(self, event: Output) -> None:
        vessel, lot = self._node(event.vessel), self._node(event.lot)
        lot.book.update(event.metals)
        lot.is_open = not event.grades
        if event.amount is not None:
            lot.amount = {self._read(event.amount): 1.0}
        for metal in event.grades or event.metals:
            if not event.grades or event.amount is None:
                start = event.metals.get(metal, 0.0)
                number = self._unknown(f"{metal} in {event.lot}, not assayed", start)
            else:
                number = self._assayed(event.lot, metal, event.amount, event.grades[metal])
                vessel.reported.add(metal)
            lot.content[metal] = {number: 1.0}
            self._take(vessel, metal, number)
            self._stream(event.number, metal, event.vessel, event.lot, number)

    def _close(self, event: Closed) -> None:
        node = self._node(event.vessel)
        for metal, terms in node.content.items():
            if metal in node.reported and terms:
                self._lose(node, metal, event.vessel, event.loss * node.book.get(metal, 0.0))
                self.equations.balance(f"{metal} of {event.vessel}", node.content[metal])
            # What no output was assayed for may be in any of them, and says nothing.
        node.content.clear()

    def _weigh(self, event: Weighed) -> None:
        node = self._node(event.lot)
        if node.amount:
            number = self._read(event.reading)
            self.equations.balance(f"amount of {event.lot}", {**node.amount, number: -1.0})

    def _analyse(self, event: Analysed) -> None:
        node = self._node(event.lot)
        volume = (
            self._unknown(f"volume of {event.lot}, {len(self.equations.names)}", event.volume_l)
            if event.volume is None
            else self._read(event.volume)
        )
        node.amount = {volume: 1.0}
        node.grades.clear()
        for metal, readings in event.grades.items():
            held = self._content(event.lot, metal)
            grade = self._tied(f"{metal} in {event.lot}", readings)
            self.equations.tie_product(held, volume, grade)
            node.grades[metal] = grade

    def _bag(self, event: Bagged) -> None:
        charge, bag = self._node(event.charge), self._node(event.bag)
        for metal in list(charge.content):
            held = self._content(event.charge, metal)
            reading = event.slimes.get(metal)
            if metal in STAYS_IN_SLIMES:
                slimes = held
            elif reading is not None:
                slimes = self._read(reading)
            else:
                slimes = self._unknown(f"{metal} in slimes of {event.charge}", 0.0)
            bag.book[metal] = self.equations.starts[slimes]
            if event.is_torn:
                start = self.equations.starts[slimes] / 2
                fallen = self._unknown(f"{metal} fallen out of {event.bag}", start)
                charge.fallen[metal] = fallen
                number = self.equations.sum_of(
                    f"{metal} left in {event.bag}", {slimes: 1.0, fallen: -1.0}
                )
            else:
                number = slimes
            bag.content[metal] = {number: 1.0}
            self._take(charge, metal, number)
            self._stream(event.number, metal, event.charge, event.bag, number)

    def _harvest(self, event: Harvested) -> None:
        charge, bath, crystal = map(self._node, (event.charge, event.bath, event.crystal))
        crystal.book.update(event.metals)
        crystal.is_open = not event.grades
        if event.amount is not None:
            crystal.amount = {self._read(event.amount): 1.0}
        dissolved = {
            metal: self._dissolve(event, metal) for metal in charge.content if metal in DISSOLVED
        }
        plated = {
            metal: self._plate(event, metal)
            for metal in sorted({"Ag", *event.grades, *(() if event.grades else event.metals)})
        }
        silver = plated["Ag"]
        terms: Terms = {silver: -1.0, self._read(event.side): 1.0}
        for metal, number in dissolved.items():
            terms[number] = SILVER_PER_DISSOLVED[metal]
        self.equations.balance(f"charge of {event.charge}", terms)
        if event.by_charge is not None:
            charge_g, efficiency = self._read(event.by_charge), self._read(event.efficiency)
            self.equations.tie_product(silver, charge_g, efficiency)
        for metal in ("Ag", "Cu"):
            share = event.loss * self.equations.starts[silver if metal == "Ag" else plated["Ag"]]
            self._lose(bath, metal, f"bath of {event.charge}", share)
        bath.grades.clear()
        charge.content.clear()

    def _dissolve(self, event: Harvested, metal: str) -> int:
        """What went from the anode into the bath: all that did not stay or fall."""
        charge, bath = self._node(event.charge), self._node(event.bath)
        number = self._content(event.charge, metal)
        if metal in charge.fallen:
            terms = {number: 1.0, charge.fallen[metal]: -1.0}
            number = self.equations.sum_of(f"{metal} dissolved from {event.charge}", terms)
        add(bath.content.setdefault(metal, {}), number, 1.0)
        self._stream(event.number, metal, event.charge, event.bath, number)
        return number

    def _plate(self, event: Harvested, metal: str) -> int:
        """What went from the bath into the crystal: all of it but what fell from a torn bag."""
        charge, bath, crystal = map(self._node, (event.charge, event.bath, event.crystal))
        if metal in STAYS_IN_SLIMES and metal in charge.fallen:
            # What does not dissolve can only have fallen among the crystal.
            crystal.content[metal] = {charge.fallen[metal]: 1.0}
            return charge.fallen[metal]
        if metal in event.grades and event.amount is not None:
            held = self._assayed(event.crystal, metal, event.amount, event.grades[metal])
        else:
            name = f"{metal} in {event.crystal}, not assayed"
            held = self._unknown(name, event.metals.get(metal, 0.0))
        crystal.content[metal] = {held: 1.0}
        number = held
        if metal in charge.fallen:
            fallen = charge.fallen[metal]
            number = self.equations.sum_of(
                f"{metal} plated in {event.crystal}", {held: 1.0, fallen: -1.0}
            )
            self._stream(event.number, metal, event.charge, event.crystal, fallen)
        self._take(bath, metal, number)
        self._stream(event.number, metal, event.bath, event.crystal, number)
        return number

    _steps: Final[Mapping[type, Callable[..., None]]] = {
        Brought: _bring, Moved: _move, Output: _put_out, Closed: _close, Weighed: _weigh,
        Analysed: _analyse, Bagged: _bag, Harvested: _harvest,
    }  # fmt: skip

    # What the events have in common

    def _holdings(self) -> dict[str, dict[str, int]]:
        held: dict[str, dict[str, int]] = {}
        for lot, node in self._nodes.items():
            for metal, terms in list(node.content.items()):
                if terms:
                    held.setdefault(lot, {})[metal] = self._content(lot, metal)
        return held

    def _node(self, lot: str) -> Node:
        return self._nodes.setdefault(lot, Node())

    def _read(self, reading: Reading) -> int:
        return self.equations.reading(reading.name, reading.figure)

    def _unknown(self, name: str, start: float) -> int:
        return self.equations.unknown(name, start)

    def _stream(self, movement: int, metal: str, giver: str, taker: str, number: int) -> None:
        self.streams.append(Stream(movement, metal, giver, taker, number))

    def _content(self, lot: str, metal: str) -> int:
        """What the lot holds of a metal now, as one figure."""
        node = self._node(lot)
        terms = node.content.get(metal)
        if not terms:
            number = self._unknown(f"{metal} unreported in {lot}", node.book.get(metal, 0.0))
        elif list(terms.values()) == [1.0]:
            return next(iter(terms))
        else:
            number = self.equations.sum_of(f"{metal} in {lot}, {len(self.equations.names)}", terms)
        node.content[metal] = {number: 1.0}
        return number

    def _all_of(self, lot: str, metal: str) -> int:
        """As `_content`; measured when the whole lot's amount and grade are."""
        node = self._node(lot)
        number = self._content(lot, metal)
        if metal in node.grades and node.amount and number not in self.equations.readings:
            self.equations.made_of[number] = (self._amount(lot), node.grades[metal])
        return number

    def _amount(self, lot: str) -> int:
        node = self._node(lot)
        assert node.amount is not None
        if list(node.amount.values()) != [1.0]:
            name = f"amount of {lot}, {len(self.equations.names)}"
            node.amount = {self.equations.sum_of(name, node.amount): 1.0}
        return next(iter(node.amount))

    def _grade(self, lot: str, grades: Grades) -> None:
        """Ties a lot's content to its amount and its assays."""
        node = self._node(lot)
        for metal, readings in grades.items():
            if readings and node.amount:
                grade = self._tied(f"{metal} in {lot}", readings)
                held = self._content(lot, metal)
                self.equations.tie_product(held, self._amount(lot), grade)
                node.grades[metal] = grade

    def _grade_of(self, lot: str, metal: str) -> int:
        """The grade of a metal in a lot since it last changed, assayed or not."""
        node = self._node(lot)
        if metal not in node.grades:
            held, amount = self._content(lot, metal), self._amount(lot)
            start = self.equations.starts[held] / self.equations.starts[amount]
            grade = self._unknown(f"grade of {metal} in {lot}, {len(self.equations.names)}", start)
            self.equations.tie_product(held, amount, grade)
            node.grades[metal] = grade
        return node.grades[metal]

    def _assayed(self, lot: str, metal: str, amount: Reading, readings: Sequence[Reading]) -> int:
        grade = self._tied(f"{metal} in {lot}", readings)
        self._node(lot).grades[metal] = grade
        return self.equations.product_of(f"{metal} in {lot} as assayed", self._read(amount), grade)

    def _tied(self, name: str, readings: Sequence[Reading]) -> int:
        """One grade for all assays of it."""
        first, *others = [self._read(reading) for reading in readings]
        for other in others:
            self.equations.balance(f"assays of {name}", {first: 1.0, other: -1.0})
        return first

    def _take(self, node: Node, metal: str, number: int) -> None:
        add(node.content.setdefault(metal, {}), number, -1.0)

    def _lose(self, node: Node, metal: str, where: str, share_g: float) -> None:
        """An allowance for loss: nothing expected, give or take what is usual there."""
        name = f"loss of {metal} in {where}"
        self._take(
            node, metal, self._read(Reading(name, Figure(0.0, {name: max(share_g, LEAST_LOSS_G)})))
        )
