"""What happened in a month, lot by lot, as rows for its network."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from math import hypot
from typing import Final

from lots.models import Entry, Lot, MaterialEntry, Movement, ProcessBatch, Weighing
from lots.units import UG_PER_G
from reports.queries.month.entry_uncertainty import BookUncertainty
from reports.queries.month.month_facts import MonthFacts
from reports.queries.month.month_readings import MonthReadings
from reports.queries.month.periods import Period
from reports.statistics.month_rows import (
    OUTSIDE,
    Analysed,
    Bagged,
    Brought,
    Closed,
    Event,
    Harvested,
    Moved,
    Output,
    Portion,
    Reading,
    Weighed,
)
from reports.statistics.propagation import DECLARED, STATED_SHARE
from reports.statistics.uncertainty import Figure, scaled

_KIND: Final = Movement.Kind
# What a process may lose unseen, as one standard deviation, by share of what went in. Common
# practice, no source: the works may give its own.
LOSS_SHARES: Final[Mapping[str, float]] = {
    _KIND.MELT: 0.001,
    "cell": 0.001,
    ProcessBatch.Kind.MELT: 0.001,
    ProcessBatch.Kind.FINE_MELT: 0.001,
    ProcessBatch.Kind.GRANULATING: 0.001,
    ProcessBatch.Kind.PARTING: 0.003,
    ProcessBatch.Kind.DISSOLUTION: 0.003,
    ProcessBatch.Kind.CEMENTATION: 0.005,
    ProcessBatch.Kind.SLIMES_RECOVERY: 0.03,
    ProcessBatch.Kind.OTHER: 0.005,
}
# In a cell, what is no assayed metal may dissolve too and take up to this many grams of silver out
# of the solution for each of its own (lead about 1, zinc 3.3); and side reactions pass some charge.
OTHER_SILVER: Final = 1.5
SIDE_SHARE: Final = 0.002
# A book volume not read again: water evaporates and is made up. Common practice, no source.
VOLUME_SHARE: Final = 0.01
_MOVES: Final = (
    _KIND.MELT, _KIND.SAMPLING, _KIND.SPLIT, _KIND.BLEND, _KIND.SHIPMENT, _KIND.RETURN,
    _KIND.WRITE_OFF, _KIND.BATCH_INPUT, _KIND.ELECTROLYTE, _KIND.CHARGE, _KIND.TOP_UP,
    _KIND.REMNANT, _KIND.BLEED,
)  # fmt: skip


class MonthEvents:
    """Turns movements into rows one by one, following what the books hold as it goes."""

    def __init__(self, period: Period, facts: MonthFacts, opening: BookUncertainty) -> None:
        self.period = period
        self.facts = facts
        self.opening = opening
        self.readings = MonthReadings(facts, opening.as_of)
        self.metals: dict[int, dict[str, int]] = {}
        self.amounts: dict[int, int] = {}

    def rows(self) -> Iterator[Event]:
        yield from self._found()
        weighings = self.facts.single_weighings
        for movement in self.facts.movements:
            while weighings and weighings[0].taken_at <= movement.occurred_at:
                yield from self._weighed(weighings.pop(0))
            yield from self._happened(movement)
            self._follow(movement)
        for weighing in weighings:
            yield from self._weighed(weighing)

    # What the month began with

    def _found(self) -> Iterator[Event]:
        for pk, held in self.facts.opening.items():
            self.metals[pk] = dict(held.metals)
            self.amounts[pk] = held.mass_ug or held.volume_ul
            lot = self.facts.lots[pk]
            readings = {}
            for metal in held.metals:
                figure = self.opening.held.get((pk, metal))
                if figure is not None and not _is_declared(figure):
                    name = f"{metal} in {lot.code} from before"
                    earlier = scaled(figure, 1 / UG_PER_G)
                    readings[metal] = self.readings.given(name, "earlier", earlier, lot)
            amount = self.opening.amounts.get(pk)
            yield Brought(
                lot=lot.code,
                metals=_grams(held.metals),
                amount=None
                if amount is None
                else self.readings.given(
                    f"amount of {lot.code} from before",
                    "earlier",
                    scaled(amount, 1 / UG_PER_G),
                    lot,
                    unit="L" if lot.is_liquid else "g",
                ),
                readings=readings,
                grades=self.readings.grades(lot, since=self.period.starts_at),
            )

    # What happened

    def _happened(self, movement: Movement) -> Iterator[Event]:
        kind = movement.kind
        if kind == _KIND.OPENING:
            yield from self._opened(movement)
        elif kind == _KIND.RECEIPT:
            yield from self._received(movement)
        elif kind in {_KIND.BATCH_OUTPUT, _KIND.RINSE} or self._is_assayed_bleed(movement):
            yield self._put_out(movement)
        elif kind in _MOVES:
            yield from self._moved(movement)
        elif kind == _KIND.SLIMES:
            yield self._bagged(movement)
        elif kind == _KIND.HARVEST:
            yield self._harvested(movement)
        elif kind == _KIND.BATCH_CLOSE:
            yield from self._closed(movement)
        if movement.pk in self.facts.readings or kind == _KIND.TOP_UP:
            yield from self._analysed(movement)

    def _opened(self, movement: Movement) -> Iterator[Event]:
        for lot in self._takers(movement):
            entries = self._entries(movement, lot)
            readings = {}
            for entry in entries:
                if entry.standard_uncertainty_ug and entry.quantity_by_id is None:
                    u = float(entry.standard_uncertainty_ug)
                    name = f"{entry.metal} in {lot.code} when the books were opened"
                    figure = Figure(entry.mass_ug / UG_PER_G, {name: u / UG_PER_G})
                    readings[entry.metal] = self.readings.given(name, "stated", figure, lot)
            yield Brought(
                lot=lot.code,
                metals={entry.metal: entry.mass_ug / UG_PER_G for entry in entries},
                amount=self._quantity(movement, lot),
                readings=readings,
                from_outside=movement.sequence,
            )

    def _received(self, movement: Movement) -> Iterator[Event]:
        for lot in self._takers(movement):
            yield Brought(
                lot=lot.code,
                metals={
                    entry.metal: entry.mass_ug / UG_PER_G for entry in self._entries(movement, lot)
                },
                amount=self._quantity(movement, lot),
                grades=self.readings.grades(lot),
                from_outside=movement.sequence,
            )

    def _moved(self, movement: Movement) -> Iterator[Event]:
        givers, takers = self._givers(movement), self._takers(movement)
        batch = self.facts.batches.get(takers[0].pk) if takers else None
        loss = LOSS_SHARES[_KIND.MELT] if movement.kind == _KIND.MELT and batch is None else 0.0
        to: list[Lot | None] = [*takers] or [None]
        for taker in to:
            amount = None if taker is None else self._quantity(movement, taker, only_read=True)
            portions = [
                self._portion(movement, giver, taker if len(takers) > 1 else None, amount)
                for giver in givers
            ]
            yield Moved(
                number=movement.sequence,
                givers=portions,
                taker=OUTSIDE if taker is None else taker.code,
                amount=amount,
                supplies=self.readings.supplies(movement),
                grades={} if taker is None or batch is not None else self.readings.grades(taker),
                loss=loss,
            )

    def _portion(
        self, movement: Movement, giver: Lot, taker: Lot | None, amount: Reading | None
    ) -> Portion:
        """What a lot gave; of a lot divided among several, what this taker got."""
        whole = {e.metal: -e.mass_ug for e in self._entries(movement, giver) if e.mass_ug < 0}
        given = sum(-(each.mass_ug or each.volume_ul) for each in self._materials(movement, giver))
        is_all = given >= self.amounts.get(giver.pk, 0) and all(
            mass_ug == whole.get(metal, 0) for metal, mass_ug in self.metals[giver.pk].items()
        )
        if taker is not None:
            is_all = False
            whole = {entry.metal: entry.mass_ug for entry in self._entries(movement, taker)}
            given = sum(each.mass_ug or each.volume_ul for each in self._materials(movement, taker))
        told = None
        if not is_all and given > 0:
            told = amount if movement.kind in {_KIND.REMNANT, _KIND.BLEED} else None
            told = told or self._told(f"portion of {giver.code}", movement, given, giver, taker)
        return Portion(giver.code, is_all, told, _grams(whole))

    def _put_out(self, movement: Movement) -> Event:
        """What came out of a vessel; if the book had nothing left in any, it came from nowhere."""
        (lot,) = self._takers(movement)
        amount, grades = self._quantity(movement, lot), self.readings.grades(lot)
        metals = {e.metal: e.mass_ug / UG_PER_G for e in self._entries(movement, lot)}
        vessel = next(iter(self._givers(movement)), None)
        run = self.facts.runs.get(movement.pk)
        if vessel is None and run is not None:
            vessel = run.electrolyte.lot
        if vessel is None:
            return Brought(lot.code, metals, amount, {}, grades, movement.sequence)
        return Output(movement.sequence, vessel.code, lot.code, amount, grades, metals)

    def _closed(self, movement: Movement) -> Iterator[Event]:
        batch = self.facts.closings.get(movement.pk)
        if batch is not None:
            yield Closed(movement.sequence, batch.vessel.code, LOSS_SHARES[batch.kind])

    def _bagged(self, movement: Movement) -> Bagged:
        (lot,) = self._takers(movement)
        bag = self.facts.bags[lot.pk]
        assert bag.run is not None
        slimes = {}
        for each in bag.estimates.all():
            kept = float(bag.kept_share)
            whole_ug = each.mass_ug / kept if kept else float(each.spilt_ug)
            # Of a bag of which nothing is left no estimate was kept: the slimes may be half of it.
            u_ug = each.standard_uncertainty_ug / kept if kept else whole_ug / 2
            if whole_ug and u_ug:
                name = f"{each.metal} expected in the slimes of run {bag.run.code}"
                figure = Figure(whole_ug / UG_PER_G, {name: u_ug / UG_PER_G})
                slimes[each.metal] = self.readings.given(name, "estimate", figure, lot)
        charge = bag.run.charge_lot.code
        return Bagged(movement.sequence, charge, lot.code, slimes, bag.torn)

    def _harvested(self, movement: Movement) -> Harvested:
        run = self.facts.runs[movement.pk]
        (lot,) = [each for each in self._takers(movement) if each.form == Lot.Form.FINE_CRYSTAL]
        metals = {e.metal: e.mass_ug / UG_PER_G for e in self._entries(movement, lot)}
        other_g = self.amounts[run.charge_lot_id] - sum(self.metals[run.charge_lot_id].values())
        side_g = hypot(
            SIDE_SHARE * metals.get("Ag", 0.0), OTHER_SILVER * max(other_g, 0) / UG_PER_G
        )
        name = f"side reactions in run {run.code}"
        # What fell from a bag that was torn in an earlier month cannot be told from what dissolved.
        fell_before = run.bag_torn and run.charge_lot_id in self.facts.opening
        return Harvested(
            number=movement.sequence,
            charge=run.charge_lot.code,
            bath=run.electrolyte.lot.code,
            crystal=lot.code,
            amount=self._quantity(movement, lot),
            grades={} if fell_before else self.readings.grades(lot),
            metals=metals,
            by_charge=self.readings.coulombs(run),
            efficiency=self.readings.efficiency(run),
            side=self.readings.given(name, "side", Figure(0.0, {name: side_g}), lot),
            loss=LOSS_SHARES["cell"],
        )

    def _analysed(self, movement: Movement) -> Iterator[Event]:
        reading = self.facts.readings.get(movement.pk)
        for lot in self._touched(movement):
            if lot.form != Lot.Form.ELECTROLYTE:
                continue
            change = sum(each.volume_ul for each in self._materials(movement, lot))
            book_ul = self.amounts.get(lot.pk, 0) + change
            volume = None
            if reading is not None and reading.volume_id is not None:
                volume = self.readings.volume(reading.volume_id)
            elif book_ul > 0:
                name = f"book volume of {lot.code} after movement {movement.sequence}"
                litres = book_ul / UG_PER_G
                volume = self.readings.stated(name, litres, VOLUME_SHARE, lot)
            grades = {}
            if reading is not None and reading.assay_id is not None:
                grades = self.readings.assay(reading.assay_id)
            yield Analysed(lot.code, volume, book_ul / UG_PER_G, grades)

    def _weighed(self, weighing: Weighing) -> Iterator[Event]:
        lot = self.facts.lots.get(weighing.lot_id)
        if lot is not None and self.amounts.get(lot.pk):
            yield Weighed(lot.code, self.readings.weighing(weighing))

    # Reading the rows

    def _entries(self, movement: Movement, lot: Lot) -> list[Entry]:
        return [each for each in self.facts.entries[movement.pk] if each.lot_id == lot.pk]

    def _materials(self, movement: Movement, lot: Lot) -> list[MaterialEntry]:
        return [each for each in self.facts.materials[movement.pk] if each.lot_id == lot.pk]

    def _touched(self, movement: Movement) -> list[Lot]:
        lots = [each.lot_id for each in self.facts.entries[movement.pk] if each.lot_id]
        lots += [each.lot_id for each in self.facts.materials[movement.pk]]
        return [self.facts.lots[pk] for pk in dict.fromkeys(lots)]

    def _takers(self, movement: Movement) -> list[Lot]:
        return [lot for lot in self._touched(movement) if self._change(movement, lot) > 0]

    def _givers(self, movement: Movement) -> list[Lot]:
        return [lot for lot in self._touched(movement) if self._change(movement, lot) < 0]

    def _change(self, movement: Movement, lot: Lot) -> int:
        materials = self._materials(movement, lot)
        return sum(each.mass_ug or each.volume_ul for each in materials) or sum(
            entry.mass_ug for entry in self._entries(movement, lot)
        )

    def _told(
        self, what: str, movement: Movement, amount: int, lot: Lot, taker: Lot | None
    ) -> Reading:
        name = f"{what} in movement {movement.sequence}"
        name += f" to {taker.code}" if taker is not None else ""
        return self.readings.stated(name, amount / UG_PER_G, STATED_SHARE, lot)

    def _quantity(self, movement: Movement, lot: Lot, *, only_read: bool = False) -> Reading | None:
        """How much of a lot came in: as read, or as told."""
        for each in self._materials(movement, lot):
            if each.quantity_by_id in self.facts.weighings:
                return self.readings.weighing(self.facts.weighings[each.quantity_by_id])
            if each.quantity_by_id is not None and each.quantity_by_id in self.facts.volumes:
                return self.readings.volume(each.quantity_by_id)
            if lot.is_liquid:
                for reading in self.facts.volumes.values():
                    if reading.lot_id == lot.pk and reading.taken_at == movement.occurred_at:
                        return self.readings.volume(reading.pk)
            if not only_read:
                amount = each.mass_ug or each.volume_ul
                return self._told(f"amount of {lot.code}", movement, amount, lot, None)
        return None

    def _follow(self, movement: Movement) -> None:
        """Keeps what the books hold of each lot in step."""
        for entry in self.facts.entries[movement.pk]:
            if entry.lot_id is not None:
                held = self.metals.setdefault(entry.lot_id, {})
                held[entry.metal] = held.get(entry.metal, 0) + entry.mass_ug
        for each in self.facts.materials[movement.pk]:
            change = each.mass_ug or each.volume_ul
            self.amounts[each.lot_id] = self.amounts.get(each.lot_id, 0) + change

    def _is_assayed_bleed(self, movement: Movement) -> bool:
        return movement.kind == _KIND.BLEED and any(
            entry.content_by_id for entry in self.facts.entries[movement.pk]
        )


def _grams(metals: Mapping[str, int]) -> dict[str, float]:
    return {metal: mass_ug / UG_PER_G for metal, mass_ug in metals.items() if mass_ug}


def _is_declared(figure: Figure) -> bool:
    """Whether a figure rests on what a sender said more than on anything measured."""
    told = sum(u * u for source, u in figure.contributions.items() if source.startswith(DECLARED))
    return told > figure.u**2 / 2
