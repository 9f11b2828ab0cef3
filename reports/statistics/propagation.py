"""How sure is each line of the books, and which lines share their errors?

The ledger's lines are replayed in the order in which things happened. Measured lines bring in named
error sources; what is taken in proportion carries a share of its holding's sources; what is booked
by difference carries those of everything it is the difference of.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from reports.statistics.uncertainty import Figure, fine_mass, linear, product, quotient, scaled

# What a sender declares is trusted to this relative standard uncertainty until an assay rules, and
# supplies bought by certificate or portions told without a weighing to the other. Common practice,
# no source.
DECLARED_SHARE: Final = 0.01
STATED_SHARE: Final = 0.001
# How a single stated standard uncertainty is parted: this share of it (not of the variance) is the
# error that every weighing on one balance, or every result of one laboratory by one method, has in
# common; the rest is the single weighing's or result's own. Our assumption, no source: the books
# keep one number for both.
COMMON_SHARE: Final = 0.5
OWN_SHARE: Final = (1 - COMMON_SHARE**2) ** 0.5

NOTHING: Final = Figure(0.0)
# Kinds of movement that set a holding to what was measured, instead of adding to it.
SETS_CONTENT: Final = frozenset({"assay_difference", "electrolyte_state", "run_close"})
SETS_AMOUNT: Final = frozenset({"weighing_difference", "count_adjustment"})
# Kinds whose declared metal is bought supplies; elsewhere it is what a sender or a person states.
SUPPLIED: Final = frozenset({"top_up", "electrolyte", "batch_input"})
DECLARED: Final = "declared"
# A source left with less than this share of a figure's uncertainty is rounding, and is dropped.
SPENT: Final = 1e-9


@dataclass(frozen=True, slots=True)
class Line:
    """One entry of the books; `lot` is None for an outside account. Mass in micrograms."""

    pk: int
    lot: int | None
    metal: str
    mass_ug: int
    basis: str
    u_ug: int | None = None
    quantity: int | None = None
    content: int | None = None


@dataclass(frozen=True, slots=True)
class AmountLine:
    """A change of a lot's own mass (micrograms), or of its volume (microlitres)."""

    lot: int
    change: int
    quantity: int | None = None


@dataclass(frozen=True, slots=True)
class Step:
    """One movement with its lines; `reverses` is the number of the one that it takes back."""

    number: int
    kind: str
    lines: Sequence[Line]
    amounts: Sequence[AmountLine] = ()
    reverses: int | None = None


@dataclass(frozen=True)
class Readings:
    """What was measured: quantities by number, and contents by assay number and metal.

    Quantities are in micrograms or microlitres; contents in parts per thousand for the assays named
    in `by_mass`, else in grams per litre, which are micrograms per microlitre.
    """

    quantities: Mapping[int, Figure]
    contents: Mapping[tuple[int, str], Figure]
    by_mass: frozenset[int]

    def metal(self, line: Line) -> Figure | None:
        """Quantity times content of a line that rests on both, micrograms."""
        quantity = None if line.quantity is None else self.quantities.get(line.quantity)
        content = None if line.content is None else self.contents.get((line.content, line.metal))
        if quantity is None or content is None:
            return None
        if line.content in self.by_mass:
            return fine_mass(quantity, content)
        return product(quantity, content)


@dataclass
class Propagated:
    """A figure per entry, and per lot for what it holds of each metal and in all, as replayed."""

    entries: dict[int, Figure] = field(default_factory=dict)
    held: dict[tuple[int, str], Figure] = field(default_factory=dict)
    amounts: dict[int, Figure] = field(default_factory=dict)


def in_common(value: float, u: float, own: str, common: str) -> Figure:
    """A measured figure whose stated `u` is partly its own error and partly one shared by many."""
    if not u:
        return Figure(value)
    return Figure(value, {own: OWN_SHARE * u, common: COMMON_SHARE * u})


def propagate(steps: Iterable[Step], readings: Readings) -> Propagated:
    """Replay movements in order; micrograms throughout."""
    replay = Replay(readings)
    for step in steps:
        replay.take(step)
    return replay.done


def counted(held: Figure, amount: Figure, reading: Figure) -> Figure:
    """What a weighing (or volume) of a lot says of a metal at the lot's own book content."""
    return product(quotient(held, amount), reading)


class Replay:
    """The books as they stand after the steps taken so far, in `done`.

    Figures of single entries are kept for good only while `keep` says so; `taken_back` names the
    movements that a later one reverses, whose figures must wait for it (None: any may be).
    """

    def __init__(self, readings: Readings, taken_back: Collection[int] | None = None) -> None:
        self.readings = readings
        self.done = Propagated()
        self._taken_back = taken_back
        self._ruled: dict[tuple[int, str], Figure] = {}
        self._taken: dict[int, Step] = {}
        self._changes: dict[tuple[int, int], Figure] = {}

    def take(self, step: Step, *, keep: bool = True) -> None:
        """Carry the errors of the lots through one more movement."""
        waits = self._taken_back is None or step.number in self._taken_back
        if waits:
            self._taken[step.number] = step
        self._follow(step)
        if not keep and not waits:
            for line in step.lines:
                self.done.entries.pop(line.pk, None)
        if not waits:
            for each in step.amounts:
                self._changes.pop((step.number, each.lot), None)

    def _follow(self, step: Step) -> None:
        if step.reverses is not None:
            self._take_back(step, self._taken[step.reverses])
            return
        by_metal: dict[str, list[Line]] = defaultdict(list)
        for line in step.lines:
            by_metal[line.metal].append(line)
        amounts = {each.lot: each for each in step.amounts}
        for lines in by_metal.values():
            self._take_metal(step, lines, amounts)
        for each in sorted(step.amounts, key=lambda each: each.change > 0):
            self._change_amount(step, each)

    def _take_back(self, step: Step, reversed_step: Step) -> None:
        """A reversal undoes the errors of what it reverses, line by line."""
        figures: dict[tuple[int | None, str, int], list[Figure]] = defaultdict(list)
        for line in reversed_step.lines:
            key = line.lot, line.metal, line.mass_ug
            figures[key].append(self.done.entries[line.pk])
        for line in step.lines:
            figure = scaled(figures[line.lot, line.metal, -line.mass_ug].pop(), -1.0)
            self.done.entries[line.pk] = figure
            if line.lot is not None:
                self._add(line.lot, line.metal, figure)
        for lot in {each.lot for each in step.amounts}:
            change = self._changes.get((reversed_step.number, lot), NOTHING)
            self._set_amount(lot, linear([self._amount(lot), change], [1.0, -1.0]))

    def _take_metal(
        self, step: Step, lines: Sequence[Line], amounts: Mapping[int, AmountLine]
    ) -> None:
        known: dict[int, Figure] = {}
        for line in lines:
            figure = self._outright(step, line, amounts)
            if figure is not None:
                known[line.pk] = figure
        if step.kind == "assay_difference":
            known |= self._ruling(lines)
        for line in lines:
            open_lines = [each for each in lines if each.pk not in known]
            if line.pk not in known and len(open_lines) > 1:
                figure = self._estimated(step, line)
                if figure is not None:
                    known[line.pk] = figure
        rest = [line for line in lines if line.pk not in known]
        missing = linear(list(known.values()), [-1.0] * len(known))
        whole = sum(abs(line.mass_ug) for line in rest)
        for line in rest:
            share = abs(line.mass_ug) / whole
            known[line.pk] = _at(scaled(missing, share), line.mass_ug)
        for line in lines:
            self.done.entries[line.pk] = known[line.pk]
            if line.lot is not None:
                self._add(line.lot, line.metal, known[line.pk])

    def _outright(self, step: Step, line: Line, amounts: Mapping[int, AmountLine]) -> Figure | None:
        """A line's figure when it follows from what is measured or held, not from other lines."""
        if line.lot is None:
            return None
        held = self.done.held.get((line.lot, line.metal), NOTHING)
        after = held.value + line.mass_ug
        measured = self.readings.metal(line)
        if step.kind in SETS_CONTENT and measured is not None and measured.value:
            # What of the lot is still there has the content found in all of it.
            left = scaled(measured, after / measured.value)
            return _at(linear([left, held], [1.0, -1.0]), line.mass_ug)
        if step.kind in SETS_AMOUNT and line.quantity is not None:
            return self._to_amount(line, held)
        if measured is not None:
            return _at(measured, line.mass_ug)
        taken = line.basis == "proportion" and step.kind not in SETS_CONTENT
        if line.mass_ug < 0 < held.value and (taken or abs(after) < 1):
            return self._portion(step, line, held, amounts.get(line.lot))
        if line.mass_ug > 0 and line.basis == "declared":
            return self._told(step, line)
        return None

    def _ruling(self, lines: Sequence[Line]) -> dict[int, Figure]:
        """A late assay of a lot that is gone changes by new content less the one ruled before."""
        changed = {}
        for line in lines:
            measured = self.readings.metal(line)
            if measured is None or line.quantity is None:
                continue
            before = self._ruled.get((line.quantity, line.metal), NOTHING)
            if all(each.lot is None for each in lines):
                change = linear([before, measured], [1.0, -1.0])
                changed[line.pk] = _at(change, line.mass_ug)
            self._ruled[line.quantity, line.metal] = measured
        return changed

    def _portion(self, step: Step, line: Line, held: Figure, amount: AmountLine | None) -> Figure:
        """A share of a holding; a part told or weighed has that error too, all of it has none."""
        whole = NOTHING if amount is None else self._amount(amount.lot)
        if amount is None or not whole.value or abs(held.value + line.mass_ug) < 1:
            return _at(scaled(held, line.mass_ug / held.value), line.mass_ug)
        part = counted(held, whole, self._quantity(step, amount))
        # Of a lot divided among several the amount is one part's, and any part has its grade.
        return _at(scaled(part, line.mass_ug / part.value), line.mass_ug)

    def _to_amount(self, line: Line, held: Figure) -> Figure | None:
        amount = self.done.amounts.get(line.lot or 0)
        reading = self.readings.quantities.get(line.quantity or 0)
        if amount is None or reading is None or not amount.value:
            return None
        found = counted(held, amount, reading)
        return _at(linear([found, held], [1.0, -1.0]), line.mass_ug)

    def _told(self, step: Step, line: Line) -> Figure:
        if step.kind in SUPPLIED:
            source = f"supplies of movement {step.number}, {line.metal}"
            return Figure(line.mass_ug, {source: STATED_SHARE * line.mass_ug})
        parts: Mapping[str, float] = {}
        if line.quantity is not None:
            quantity = self.readings.quantities[line.quantity]
            parts = scaled(quantity, line.mass_ug / quantity.value).contributions
        source = f"{DECLARED} lot {line.lot}, {line.metal}"
        return Figure(line.mass_ug, {**parts, source: DECLARED_SHARE * line.mass_ug})

    def _estimated(self, step: Step, line: Line) -> Figure | None:
        """A line that says itself how sure it is: an opening amount, a slimes estimate."""
        if line.lot is None or not line.u_ug or step.kind in {"charge", "remnant"}:
            return None
        source = f"estimate of lot {line.lot} in movement {step.number}, {line.metal}"
        return Figure(line.mass_ug, {source: float(line.u_ug)})

    def _add(self, lot: int, metal: str, figure: Figure) -> None:
        before = self.done.held.get((lot, metal), NOTHING)
        after = linear([before, figure], [1.0, 1.0])
        if abs(after.value) < 1:
            self.done.held.pop((lot, metal), None)
        else:
            self.done.held[lot, metal] = _pruned(after)

    def _quantity(self, step: Step, each: AmountLine) -> Figure:
        """The figure of an amount as weighed, or as told."""
        reading = None if each.quantity is None else self.readings.quantities.get(each.quantity)
        if reading is not None and step.kind not in {*SETS_AMOUNT, *SETS_CONTENT}:
            return Figure(abs(each.change), reading.contributions)
        source = f"portion of movement {step.number}"
        return Figure(abs(each.change), {source: STATED_SHARE * abs(each.change)})

    def _change_amount(self, step: Step, each: AmountLine) -> None:
        before = self._amount(each.lot)
        after = before.value + each.change
        reading = None if each.quantity is None else self.readings.quantities.get(each.quantity)
        if reading is not None and abs(reading.value - after) < 1:
            new = reading
        elif abs(after) < 1:
            new = NOTHING
        elif (poured := self._poured(step, each)) is not None:
            new = linear([before, poured], [1.0, 1.0])
        else:
            sign = 1.0 if each.change > 0 else -1.0
            new = linear([before, self._quantity(step, each)], [1.0, sign])
        self._set_amount(each.lot, new)
        whole = self._changes.get((step.number, each.lot), NOTHING)
        change = linear([whole, new, before], [1.0, 1.0, -1.0])
        self._changes[step.number, each.lot] = change

    def _poured(self, step: Step, each: AmountLine) -> Figure | None:
        """What the others gave, when it all went into this one lot and nobody weighed it."""
        givers = {other.lot for other in step.amounts if other.change < 0}
        if each.quantity is not None or not givers or sum(a.change for a in step.amounts) != 0:
            return None
        if any(other.change > 0 and other.lot != each.lot for other in step.amounts):
            return None
        changes = [self._changes[step.number, lot] for lot in sorted(givers)]
        return linear(changes, [-1.0] * len(changes))

    def _amount(self, lot: int) -> Figure:
        return self.done.amounts.get(lot, NOTHING)

    def _set_amount(self, lot: int, figure: Figure) -> None:
        if abs(figure.value) < 1:
            self.done.amounts.pop(lot, None)
        else:
            self.done.amounts[lot] = _pruned(figure)


def _pruned(figure: Figure) -> Figure:
    least = SPENT * figure.u
    kept = {source: part for source, part in figure.contributions.items() if abs(part) > least}
    return Figure(figure.value, kept, figure.dof)


def _at(figure: Figure, value: float) -> Figure:
    """The same errors around the value that the books hold, which is rounded."""
    return Figure(float(value), figure.contributions, figure.dof)
