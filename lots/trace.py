"""Which origins' metal is in a lot, and where a lot's metal has gone: proportional mixing, exact.

A lot is taken to be of even composition, metal by metal (common practice, no source), so a portion
takes its origins' shares in proportion to what the lot holds at that moment. Movements are
followed in the order they happened; metal that comes back (electrolyte into its next run, cement
silver into the next charge) is simply in a lot again, so a cycle needs nothing special.

Shares are whole micrograms and sum to the holding to the microgram. Of a mixture's origins in their
fixed order, the first k together give `held * portion` rounded half up: each share is the
difference of two neighbours, so no share is out by a microgram or more at one step, none is below
zero or above what is there, and the remainder of rounding needs no line of its own.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping
from itertools import groupby
from operator import attrgetter
from typing import Final, NamedTuple, Protocol

from lots.trace_steps import Flows, Holder, Step, flows_of

OUTSIDE: Final = 0


class Origin(NamedTuple):
    """Where metal entered the works: the lot that first received it and the account it came from.

    `lot` is `OUTSIDE` for metal that a movement brought from one account straight to another.
    """

    lot: int
    account: str


# Micrograms by origin, in the origins' ascending order; no zeros.
Mixture = dict[Origin, int]


class Tracer(Protocol):
    """Follows movements one by one; `mix` and `follow` drive it in order of time."""

    def held_ug(self, metal: str, lot: int) -> int | None:
        """What the lot holds by the movements so far; None for a lot that isn't traced."""

    def move(self, metal: str, flows: Flows) -> None:
        """Takes one metal's part of a movement."""


def draw(mixture: Mixture, held_ug: int, taken_ug: int) -> tuple[Mixture, Mixture]:
    """`taken_ug` out of a mixture of `held_ug`: the shares taken, and the shares left."""
    if taken_ug == held_ug:
        return mixture, {}
    taken: Mixture = {}
    left: Mixture = {}
    running = given = 0
    half = held_ug // 2
    for origin, mass_ug in mixture.items():
        running += mass_ug
        upto = (running * taken_ug + half) // held_ug
        part = upto - given
        given = upto
        if part:
            taken[origin] = part
        if part != mass_ug:
            left[origin] = mass_ug - part
    return taken, left


def joined(one: Mixture, other: Mixture) -> Mixture:
    """Two mixtures together, in the origins' order."""
    if not one:
        return other
    if not other:
        return one
    both = dict(one)
    for origin, mass_ug in other.items():
        both[origin] = both.get(origin, 0) + mass_ug
    return both if len(both) == len(one) else dict(sorted(both.items()))


class Mixing:
    """The mixture in every lot, and what of each origin went to each outside account.

    `lots` limits the trace to some lots: with each lot, every lot that ever gave metal to it (see
    `givers`). What went to accounts is then told only for movements of those lots alone.
    """

    def __init__(self, lots: Collection[int] | None = None) -> None:
        self.contents: dict[str, dict[int, Mixture]] = defaultdict(dict)
        self.gone: dict[str, dict[str, Mixture]] = defaultdict(dict)
        # All that each origin ever brought in, by metal.
        self.begun: dict[str, Mixture] = defaultdict(dict)
        # Micrograms moved from holder to holder, by metal.
        self.edges: dict[tuple[Holder, Holder, str], int] = defaultdict(int)
        self._held: dict[str, dict[int, int]] = defaultdict(dict)
        self._lots = lots

    def held_ug(self, metal: str, lot: int) -> int | None:
        if self._lots is not None and lot not in self._lots:
            return None
        return self._held[metal].get(lot, 0)

    def move(self, metal: str, flows: Flows) -> None:
        pool: Mixture = {}
        is_whole = True
        contents, held = self.contents[metal], self._held[metal]
        for holder, mass_ug in flows.sources:
            if isinstance(holder, str):
                pool = joined(pool, {Origin(OUTSIDE, holder): mass_ug})
            elif self._lots is None or holder in self._lots:
                taken, contents[holder] = draw(contents.get(holder, {}), held[holder], mass_ug)
                held[holder] -= mass_ug
                pool = joined(pool, taken)
            else:
                is_whole = False
        if is_whole:
            self._give(metal, flows, pool)

    def _give(self, metal: str, flows: Flows, pool: Mixture) -> None:
        contents, held = self.contents[metal], self._held[metal]
        left_ug = sum(mass_ug for _, mass_ug in flows.targets)
        for holder, mass_ug in flows.targets:
            part, pool = draw(pool, left_ug, mass_ug)
            left_ug -= mass_ug
            if isinstance(holder, str):
                gone = self.gone[metal].setdefault(holder, {})
                for origin, share_ug in part.items():
                    gone[origin] = gone.get(origin, 0) + share_ug
            elif self._lots is None or holder in self._lots:
                part = self._begin(metal, part, holder)
                contents[holder] = joined(contents.get(holder, {}), part)
                held[holder] = held.get(holder, 0) + mass_ug
        for source, target, mass_ug in paired(flows.sources, flows.targets):
            self.edges[source, target, metal] += mass_ug

    def _begin(self, metal: str, part: Mixture, lot: int) -> Mixture:
        """A portion as the lot keeps it: metal from outside has this lot for its origin."""
        if not part or next(iter(part)).lot != OUTSIDE:
            return part
        kept: Mixture = {}
        begun = self.begun[metal]
        for origin, mass_ug in part.items():
            own = origin
            if origin.lot == OUTSIDE:
                own = Origin(lot, origin.account)
                begun[own] = begun.get(own, 0) + mass_ug
            kept[own] = kept.get(own, 0) + mass_ug
        return dict(sorted(kept.items()))


class _Told(NamedTuple):
    """Micrograms in one lot: of origins before the lot followed, of those up to it, and of all."""

    before: int = 0
    upto: int = 0
    whole: int = 0


_NOTHING: Final = _Told()


class Following:
    """Where the metal that has ever been in one lot is now, without everybody's mixtures.

    Origins stand in order of their lots, so the share of one lot is what the lots up to and with it
    give together, less what the lots before it give: two running totals a holder instead of a whole
    mixture, and the same micrograms. Whatever enters the lot followed becomes that lot's. `lots`
    limits the trace as in `Mixing`; it must hold what shares a movement with any of its takers.
    """

    def __init__(self, lot: int, lots: Collection[int] | None = None) -> None:
        self.lot = lot
        self.entered: dict[str, int] = defaultdict(int)
        self.gone: dict[str, dict[str, int]] = defaultdict(lambda: defaultdict(int))
        # Micrograms of the lot's metal moved from holder to holder, by metal.
        self.edges: dict[tuple[Holder, Holder, str], int] = defaultdict(int)
        self._told: dict[str, dict[int, _Told]] = defaultdict(dict)
        self._lots = lots

    def held_ug(self, metal: str, lot: int) -> int | None:
        if self._lots is not None and lot not in self._lots:
            return None
        return self._told[metal].get(lot, _NOTHING).whole

    def parts(self, metal: str) -> dict[int, int]:
        """Micrograms of the lot's metal in each lot that has some."""
        return {
            lot: told.upto - told.before
            for lot, told in self._told[metal].items()
            if told.upto > told.before
        }

    def move(self, metal: str, flows: Flows) -> None:
        told = self._told[metal]
        fresh = before = upto = 0
        is_whole = True
        marked: list[tuple[Holder, int]] = []
        for holder, mass_ug in flows.sources:
            if isinstance(holder, str):
                fresh += mass_ug
            elif self._lots is None or holder in self._lots:
                was = told[holder]
                out_before = portion(was.before, was.whole, mass_ug)
                out_upto = portion(was.upto, was.whole, mass_ug)
                told[holder] = _Told(
                    was.before - out_before, was.upto - out_upto, was.whole - mass_ug
                )
                before, upto = before + out_before, upto + out_upto
                if out_upto > out_before:
                    marked.append((holder, out_upto - out_before))
            else:
                is_whole = False
        assert is_whole or not marked, "the lot's metal is mixed with metal that isn't traced"
        if is_whole:
            self._give(metal, flows, (fresh, fresh + before, fresh + upto), marked)

    def _give(
        self,
        metal: str,
        flows: Flows,
        pool: tuple[int, int, int],
        marked: list[tuple[Holder, int]],
    ) -> None:
        told = self._told[metal]
        arrived: list[tuple[Holder, int]] = []
        left = pool
        whole = sum(mass_ug for _, mass_ug in flows.targets)
        for holder, mass_ug in flows.targets:
            fresh, before, upto = (portion(each, whole, mass_ug) for each in left)
            left = (left[0] - fresh, left[1] - before, left[2] - upto)
            whole -= mass_ug
            arrived.append((holder, upto - before))
            if isinstance(holder, str):
                self.gone[metal][holder] += upto - before
            elif self._lots is None or holder in self._lots:
                was = told.get(holder, _NOTHING)
                if holder == self.lot:
                    self.entered[metal] += mass_ug - (upto - before)
                    before, upto = 0, mass_ug
                elif holder > self.lot:
                    # What came from outside begins in this lot, after the lot followed.
                    before, upto = before - fresh, upto - fresh
                told[holder] = _Told(was.before + before, was.upto + upto, was.whole + mass_ug)
        self._count_edges(metal, flows, marked, arrived)

    def _count_edges(
        self,
        metal: str,
        flows: Flows,
        marked: list[tuple[Holder, int]],
        arrived: list[tuple[Holder, int]],
    ) -> None:
        for source, target, mass_ug in paired(marked, arrived):
            if target != self.lot:
                self.edges[source, target, metal] += mass_ug
        if any(target == self.lot for target, _ in flows.targets):
            for source, target, mass_ug in paired(flows.sources, flows.targets):
                if target == self.lot:
                    self.edges[source, target, metal] += mass_ug


def portion(part_ug: int, held_ug: int, taken_ug: int) -> int:
    """What `part_ug` of `held_ug` gives to a portion of `taken_ug`, rounded half up."""
    return (part_ug * taken_ug + held_ug // 2) // held_ug if part_ug else 0


def paired(
    sources: list[tuple[Holder, int]], targets: list[tuple[Holder, int]]
) -> Iterator[tuple[Holder, Holder, int]]:
    """How much of each source arrived in each target, in proportion; sums hold both ways."""
    if len(sources) == 1:
        yield from ((sources[0][0], target, mass_ug) for target, mass_ug in targets if mass_ug)
        return
    left = [mass_ug for _, mass_ug in sources]
    for target, mass_ug in targets:
        whole = sum(left)
        running = given = 0
        for index, (source, _) in enumerate(sources):
            running += left[index]
            upto = portion(running, whole, mass_ug)
            part, given = upto - given, upto
            left[index] -= part
            if part:
                yield source, target, part


def mix(steps: Iterable[Step], lots: Collection[int] | None = None) -> Mixing:
    """The mixture of every lot (or of `lots`) after `steps`, given in order of time."""
    tracer = Mixing(lots)
    run(tracer, steps)
    return tracer


def follow(steps: Iterable[Step], lot: int, lots: Collection[int] | None = None) -> Following:
    """Where the metal that has been in `lot` is after `steps`, given in order of time."""
    tracer = Following(lot, lots)
    run(tracer, steps)
    return tracer


def run(tracer: Tracer, steps: Iterable[Step]) -> None:
    """Takes the steps in order; those of one moment in whichever order leaves no lot short.

    The ledger keeps every lot above zero at every moment, not between two movements of one moment.
    Movements that can only have happened together are taken as one.
    """
    for _, together in groupby(steps, key=attrgetter("at")):
        waiting = [flows_of(step.lines) for step in together]
        while waiting:
            short = [flows for flows in waiting if not _taken(tracer, flows)]
            if len(short) == len(waiting):
                lines = [line for flows in short for line in _lines(flows)]
                assert _taken(tracer, flows_of(lines)), "a lot gives more than it holds"
                short = []
            waiting = short


def _taken(tracer: Tracer, flows: Mapping[str, Flows]) -> bool:
    """Whether the movement could be taken: no lot traced gives more than it holds."""
    for metal, (sources, _) in flows.items():
        for holder, mass_ug in sources:
            if isinstance(holder, int):
                held_ug = tracer.held_ug(metal, holder)
                if held_ug is not None and held_ug < mass_ug:
                    return False
    for metal, each in flows.items():
        tracer.move(metal, each)
    return True


def _lines(flows: Mapping[str, Flows]) -> Iterator[tuple[Holder, str, int]]:
    for metal, (sources, targets) in flows.items():
        yield from ((holder, metal, -mass_ug) for holder, mass_ug in sources)
        yield from ((holder, metal, mass_ug) for holder, mass_ug in targets)
