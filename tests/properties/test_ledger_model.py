"""Whatever is recorded, in whatever order: the ledger stays sound and equals a plain-Python one.

Random steps, valid and not, go through the services and into a reference that only ever sums a
list. Overdrafts must be refused exactly when the reference goes below zero, nothing else may differ
by a microgram, and a repeated request must change nothing.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction
from types import SimpleNamespace
from typing import Any, Final

from django.db import models, transaction
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from config.refusals import RefusalError
from lots.ledger.holdings import AsOf, claims_of, holdings
from lots.ledger.ledger_checks import run_checks
from lots.ledger.reversal import reverse_movement
from lots.measurements.weighings import Weight
from lots.models import Lot, Movement, Party, ProcessBatch
from lots.services.blending import Blend, blend_lots
from lots.services.ownership import change_owner, settle_claim
from lots.services.process_batches import (
    Inputs,
    add_inputs,
    close_batch,
    record_output,
    start_batch,
)
from lots.services.receipt import receive_lot
from lots.services.splitting import Part, split_lot
from lots.services.taking import Take
from lots.services.transfer import transfer_lot
from lots.services.write_off import write_off
from tests.builders import receipt_of, row_counts, weighed_output
from tests.properties.reference_ledger import (
    HOUSE,
    NEW,
    Event,
    ReferenceLedger,
    half_even,
    larger_remainder,
)

# Refusals that say the books would go below zero; the reference must say so too.
SHORT: Final = {"lot_overdrawn", "claim_overdrawn"}
# Refusals that rest on more than sums: states, order, standings. They must only change nothing.
BY_RULE: Final = {
    "already_reversed",
    "already_there",
    "batch_closed",
    "changed_hands_since",
    "claim_needs_the_pool",
    "is_a_reversal",
    "kept_apart",
    "later_steps_stand",
    "lot_is_empty",
    "lot_moved_since",
    "lot_not_available",
    "lot_not_there_yet",
    "not_positive",
    "out_of_order",
    "same_owner",
}


@dataclass(frozen=True)
class Step:
    """One thing to try. The numbers choose among what is there when its turn comes."""

    name: str
    hour: int
    pick: int
    other: int
    twelfths: int
    ppt: int


NAMES: Final = (
    *("receive", "split", "start", "output", "reverse") * 2,
    *("add", "close", "blend", "transfer", "write_off", "change_owner", "settle", "replay"),
)


def steps_of(seed: int, count: int) -> list[Step]:
    """So many random steps, the same for the same seed: two receipts, then anything.

    Drawn evenly, because a strategy that favours small numbers would hardly ever get far.
    """
    draw = random.Random(seed)
    return [
        Step(
            name="receive" if index < 2 else draw.choice(NAMES),
            hour=draw.randint(0, 8) if draw.random() < 0.25 else index * 8 // count,
            pick=draw.randint(0, 400),
            other=draw.randint(0, 400),
            twelfths=draw.randint(1, 12),
            ppt=draw.randint(0, 999),
        )
        for index in range(count)
    ]


@dataclass
class Run:
    """The works while the steps are tried on it, and the reference beside it."""

    works: SimpleNamespace
    act: Callable[..., Any]
    reference: ReferenceLedger = field(default_factory=ReferenceLedger)
    lots: list[Lot] = field(default_factory=list)
    batches: list[ProcessBatch] = field(default_factory=list)
    events: dict[int, Event] = field(default_factory=dict)
    done: list[tuple[Callable[[], models.Model], models.Model]] = field(default_factory=list)

    def owners(self) -> list[Party]:
        return [self.works.house, self.works.brackwater, self.works.pellow]

    def name_of(self, owner: Party) -> str:
        return HOUSE if owner.is_house else owner.code

    def try_step(self, step: Step) -> None:
        """Tries one step and holds what came of it against the reference."""
        if step.name == "replay":
            self.replay(step)
            return
        key = f"{len(self.done)}-{len(self.reference.events)}-{step}"[:80]
        planned = getattr(self, step.name)(step, key)
        if planned is None:
            return
        event, request = planned
        before = row_counts()
        refusal: RefusalError | None
        try:
            with transaction.atomic():
                result = request()
        except RefusalError as refused:
            refusal = refused
        else:
            refusal = None
        if refusal is not None:
            assert row_counts() == before
            short = self.reference.goes_below_zero(event)
            assert refusal.code in (SHORT if short else set()) | BY_RULE, (step, refusal)
            return
        assert not self.reference.goes_below_zero(event), step
        self.take_over(event, result)
        self.done.append((request, result))
        self.compare()

    def take_over(self, event: Event, result: models.Model) -> None:
        movement = Movement.objects.latest("sequence")
        began = [standing.lot for standing in movement.standings.all()]
        lot = next((each for each in began if each not in self.lots), None)
        if lot is not None:
            event = event.named(lot.pk)
            self.lots.append(lot)
        if isinstance(result, ProcessBatch) and result not in self.batches:
            self.batches.append(result)
        self.reference.events.append(event)
        self.events[movement.pk] = event

    def replay(self, step: Step) -> None:
        if self.done:
            request, result = self.done[step.pick % len(self.done)]
            before = row_counts()
            assert request() == result
            assert row_counts() == before
            self.compare()

    def compare(self, hours: tuple[int, ...] = (99,)) -> None:
        for hour in hours:
            as_of = AsOf() if hour == 99 else AsOf(self.act(hour).moment)
            for pk, held in holdings(self.lots, as_of).items():
                assert held.metals == self.reference.metals(pk, hour)
                assert held.mass_ug == self.reference.mass(pk, hour)
        expected = self.reference.claims()
        for owner in self.owners():
            name = self.name_of(owner)
            assert claims_of(owner) == {
                metal: ug for (of, metal), ug in expected.items() if of == name
            }

    # Each step below answers the event it should be and the request that records it, or None when
    # there is nothing to try it on.

    def some_lot(self, pick: int, hour: int) -> Lot | None:
        """Four times in five one that holds something then, else any."""
        full = [lot for lot in self.lots if self.reference.mass(lot.pk, hour) > 0]
        lots = full if pick % 5 and full else self.lots
        return Lot.objects.get(pk=lots[pick % len(lots)].pk) if lots else None

    def stands(self, lot: Lot, hour: int) -> bool:
        return any(lot.pk in event.owners and event.hour <= hour for event in self.reference.events)

    def receive(self, step: Step, key: str) -> tuple[Event, Callable[[], models.Model]]:
        owner = self.owners()[step.other % 3]
        mass_ug = 1 + step.pick * 997 * step.twelfths
        declared = {"Ag": Decimal(step.ppt), "Cu": Decimal(999 - step.ppt)}
        event = Event(step.hour, owners={NEW: self.name_of(owner)})
        for metal, ppt in declared.items():
            event.metals[NEW, self.name_of(owner), metal] += half_even(
                Fraction(mass_ug * int(ppt), 1000)
            )
        event.masses[NEW] += mass_ug
        receipt = receipt_of(
            self.works,
            declared=declared,
            owner=owner,
            weight=Weight(mass_ug, 0, self.works.balance),
        )
        act = self.act(step.hour, key)
        return self.reference.settle_house(event), lambda: receive_lot(receipt=receipt, act=act)

    def split(self, step: Step, key: str) -> tuple[Event, Callable[[], models.Model]] | None:
        lot = self.some_lot(step.pick, step.hour)
        if lot is None or not self.stands(lot, step.hour):
            return None
        mass = self.reference.mass(lot.pk, step.hour)
        part = mass * step.twelfths // 12
        owner = self.reference.owner(lot.pk, step.hour)
        event = Event(step.hour, owners={NEW: owner})
        for metal, ug in self.reference.metals(lot.pk, step.hour).items():
            share = larger_remainder(ug, part, mass) if mass else 0
            event.metals[lot.pk, owner, metal] -= share
            event.metals[NEW, owner, metal] += share
        event.masses[lot.pk] -= part
        event.masses[NEW] += part
        act = self.act(step.hour, key)
        return event, lambda: split_lot(lot=lot, parts=[Part(mass_ug=part)], act=act)

    def gather(
        self, lots: list[Lot], step: Step, event: Event, into: Hashable, owner: str | None
    ) -> list[Take] | None:
        """Takes from lots into `into`, of `owner` or else of the only giver or else the house's."""
        taken = []
        for lot in lots:
            if not self.stands(lot, step.hour):
                return None
            mass = self.reference.mass(lot.pk, step.hour) * step.twelfths // 12
            out = self.reference.taken(lot.pk, step.twelfths, event)
            if out is None:
                return None
            taken.append((lot, mass, self.reference.owner(lot.pk, step.hour), out))
        givers = {giver for _, _, giver, _ in taken}
        taker = owner or (next(iter(givers)) if len(givers) == 1 else HOUSE)
        for _, mass, giver, out in taken:
            self.reference.join(into, taker, giver, out, event)
            event.masses[into] += mass
        if into == NEW:
            event.owners[NEW] = taker
        self.reference.settle_house(event)
        whole = step.twelfths == 12
        return [Take(lot, mass_ug=None if whole else mass) for lot, mass, _, _ in taken]

    def two_lots(self, step: Step) -> list[Lot]:
        picked = [self.some_lot(n, step.hour) for n in (step.pick, step.other)]
        return list({lot.pk: lot for lot in picked if lot is not None}.values())

    def start(self, step: Step, key: str) -> tuple[Event, Callable[[], models.Model]] | None:
        event = Event(step.hour)
        pooled = step.ppt % 3 == 0
        lots = self.two_lots(step)
        takes = self.gather(lots, step, event, NEW, HOUSE if pooled else None)
        if not takes:
            return None
        inputs, act = Inputs(takes), self.act(step.hour, key)
        place = self.works.places["melt-bench"]
        return event, lambda: start_batch(
            kind="granulating", place=place, inputs=inputs, act=act, keep_apart=not pooled
        )

    def blend(self, step: Step, key: str) -> tuple[Event, Callable[[], models.Model]] | None:
        event = Event(step.hour)
        lots = self.two_lots(step)
        takes = self.gather(lots, step, event, NEW, None) if len(lots) == 2 else None
        if not takes:
            return None
        blend = Blend("granules", self.works.places["melt-bench"])
        act = self.act(step.hour, key)
        return event, lambda: blend_lots(takes=takes, blend=blend, act=act)

    def some_batch(self, pick: int) -> ProcessBatch | None:
        """Four times in five an open one, else any."""
        batches = list(ProcessBatch.objects.filter(state="open").order_by("pk"))
        if not (batches and pick % 5):
            batches = self.batches
        return batches[pick % len(batches)] if batches else None

    def add(self, step: Step, key: str) -> tuple[Event, Callable[[], models.Model]] | None:
        batch, lot = self.some_batch(step.other), self.some_lot(step.pick, step.hour)
        if batch is None or lot is None or not self.stands(batch.vessel, step.hour):
            return None
        event = Event(step.hour)
        owner = self.name_of(batch.vessel.owner)
        takes = self.gather([lot], step, event, batch.vessel_id, owner)
        if not takes:
            return None
        act = self.act(step.hour, key)
        return event, lambda: add_inputs(batch=batch, inputs=Inputs(takes), act=act)

    def output(self, step: Step, key: str) -> tuple[Event, Callable[[], models.Model]] | None:
        batch = self.some_batch(step.pick)
        if batch is None or not self.stands(batch.vessel, step.hour):
            return None
        vessel, owner = batch.vessel_id, self.name_of(batch.vessel.owner)
        mass_ug = 1 + step.other * 499 * step.twelfths
        silver = half_even(Fraction(mass_ug * step.ppt, 1000))
        event = Event(step.hour, owners={NEW: owner})
        event.metals[NEW, owner, "Ag"] += silver
        held = self.reference.metals(vessel, step.hour).get("Ag", 0)
        event.metals[vessel, owner, "Ag"] -= min(silver, held)
        event.masses[NEW] += mass_ug
        event.masses[vessel] -= min(mass_ug, self.reference.mass(vessel, step.hour))
        output = weighed_output(
            self.works,
            0,
            {"Ag": Decimal(step.ppt)},
            weight=Weight(mass_ug, 0, self.works.balance),
        )
        act = self.act(step.hour, key)
        return self.reference.settle_house(event), lambda: record_output(
            batch=batch, output=output, act=act
        )

    def close(self, step: Step, key: str) -> tuple[Event, Callable[[], models.Model]] | None:
        batch = self.some_batch(step.pick)
        if batch is None:
            return None
        vessel, owner = batch.vessel_id, self.name_of(batch.vessel.owner)
        event = Event(step.hour)
        for metal, ug in self.reference.metals(vessel, step.hour).items():
            event.metals[vessel, owner, metal] -= ug
        event.masses[vessel] -= self.reference.mass(vessel, step.hour)
        act = self.act(step.hour, key)
        return self.reference.settle_house(event), lambda: close_batch(batch=batch, act=act)

    def reverse(self, step: Step, key: str) -> tuple[Event, Callable[[], models.Model]] | None:
        if not self.events:
            return None
        pk = sorted(self.events)[step.pick % len(self.events)]
        movement = Movement.objects.get(pk=pk)
        event = self.events[pk].mirrored()
        for lot, owner in self.events[pk].owners.items():
            others = [e for e in self.reference.events if e is not self.events[pk]]
            event.owners[lot] = (
                ReferenceLedger(others).owner(lot, event.hour)
                if any(lot in e.owners and e.hour <= event.hour for e in others)
                else owner
            )
        act = self.act(step.hour, key)
        return event, lambda: reverse_movement(movement=movement, reason="misread", act=act)

    def transfer(self, step: Step, key: str) -> tuple[Event, Callable[[], models.Model]] | None:
        lot = self.some_lot(step.pick, step.hour)
        if lot is None or not self.stands(lot, step.hour):
            return None
        places = list(self.works.places.values())
        place = places[step.other % len(places)]
        event = Event(step.hour, owners={lot.pk: self.reference.owner(lot.pk, step.hour)})
        act = self.act(step.hour, key)
        return event, lambda: transfer_lot(lot=lot, place=place, act=act)

    def write_off(self, step: Step, key: str) -> tuple[Event, Callable[[], models.Model]] | None:
        lot = self.some_lot(step.pick, step.hour)
        event = Event(step.hour)
        if lot is None or not self.stands(lot, step.hour):
            return None
        mass = self.reference.mass(lot.pk, step.hour) * step.twelfths // 12
        if self.reference.taken(lot.pk, step.twelfths, event) is None:
            return None
        act = self.act(step.hour, key)
        return self.reference.settle_house(event), lambda: write_off(
            lot=lot, cause="spill", stage="store", mass_ug=mass, act=act
        )

    def change_owner(self, step: Step, key: str) -> tuple[Event, Callable[[], models.Model]] | None:
        lot = self.some_lot(step.pick, step.hour)
        if lot is None or not self.stands(lot, step.hour):
            return None
        owner, as_claim = self.owners()[step.other % 3], step.ppt % 2 == 0
        old, new = self.reference.owner(lot.pk, step.hour), self.name_of(owner)
        event = Event(step.hour, owners={lot.pk: new})
        for metal, ug in self.reference.metals(lot.pk, step.hour).items():
            event.metals[lot.pk, old, metal] -= ug
            event.metals[lot.pk, new, metal] += ug
            if as_claim:
                customer, sign = (new, -1) if old == HOUSE else (old, 1)
                event.claims[customer, metal] += sign * ug
                event.claims[HOUSE, metal] -= sign * ug
        act = self.act(step.hour, key)
        return self.reference.settle_house(event), lambda: change_owner(
            lot=lot, owner=owner, as_claim=as_claim, act=act
        )

    def settle(self, step: Step, key: str) -> tuple[Event, Callable[[], models.Model]] | None:
        owner = self.owners()[1 + step.other % 2]
        name = self.name_of(owner)
        owed = self.reference.claims().get((name, "Ag"), 0)
        if not owed and step.pick % 5:
            return None
        ug = 1 + owed * step.twelfths // 11
        event = Event(step.hour)
        event.claims[name, "Ag"] -= ug
        event.claims[HOUSE, "Ag"] += ug
        act = self.act(step.hour, key)
        return event, lambda: settle_claim(owner=owner, metals={"Ag": ug}, act=act)


class _UndoneError(Exception):
    """Takes back all that one example wrote."""


def plain(name: str, hour: int, pick: int = 0, other: int = 0, twelfths: int = 12) -> Step:
    return Step(name, hour, pick, other, twelfths, 925)


SCRIPT: Final = [
    plain("receive", 1, pick=9, other=1),
    plain("receive", 1, pick=9, other=0),
    plain("start", 2, pick=10, other=11, twelfths=6),
    plain("output", 3, pick=1, other=5),
    plain("close", 4, pick=1),
    plain("split", 0, pick=1),
    plain("split", 1, pick=1, twelfths=7),
    plain("reverse", 1, pick=2),
    plain("reverse", 1, pick=4),
    plain("reverse", 1, pick=3),
    plain("replay", 1, pick=2),
    plain("settle", 5),
    plain("change_owner", 6, other=0),
    plain("write_off", 7, pick=1, twelfths=1),
    plain("transfer", 0, other=3),
    plain("transfer", 8, other=3),
]


@settings(
    max_examples=20,
    deadline=None,
    print_blob=True,
    phases=[Phase.explicit, Phase.reuse, Phase.generate],
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(seed=st.integers(0, 2**32), count=st.integers(12, 40))
def test_any_steps_leave_the_ledger_sound_and_equal_to_the_reference(
    works: SimpleNamespace, act: Callable[..., Any], seed: int, count: int
) -> None:
    play(works, act, steps_of(seed, count))


def test_a_written_script_does_too(works: SimpleNamespace, act: Callable[..., Any]) -> None:
    play(works, act, SCRIPT)


def play(works: SimpleNamespace, act: Callable[..., Any], steps: list[Step]) -> Run:
    """Tries the steps, holds all against the reference, and takes back what was written."""
    run = Run(works, act)
    try:
        with transaction.atomic():
            for step in steps:
                run.try_step(step)
            run.compare(hours=tuple(range(9)))
            found = {result.check.name: result.rows for result in run_checks() if result.found}
            assert found == {}
            raise _UndoneError
    except _UndoneError:
        return run
