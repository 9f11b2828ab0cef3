"""Which origins' metal is in a lot: proportional mixing, exact to the microgram.

A lot is taken to be of even composition, metal by metal (common practice, no source), so a portion
takes its origins' shares in proportion to what the lot holds at that moment. Movements are
followed in the order they happened; metal that comes back (electrolyte into its next run, cement
silver into the next charge) is simply in a lot again, so a cycle needs nothing special.

Shares are whole micrograms and sum to the holding to the microgram. Of a mixture's origins in their
fixed order, the first k together give `held * portion` rounded half up: each share is the
difference of two neighbours, so no share is out by a microgram or more at one step, none is below
zero or above what is there, and the remainder of rounding needs no line of its own.

When an assay ruled late restates what came in with a lot, the change is that lot's alone: it is
added to, or taken from, its own share wherever that is.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping
from itertools import groupby
from operator import attrgetter
from typing import Final, NamedTuple, Protocol

from lots.ledger import accounts
from lots.traces.trace_steps import Flows, Holder, Step, flows_of

OUTSIDE: Final = 0


class Origin(NamedTuple):
    """Where metal entered the works: the lot that first received it and the account it came from.

    `lot` is `OUTSIDE` for metal that a movement brought from one account straight to another.
    """

    lot: int
    account: str


# Micrograms by origin, in the origins' ascending order; no zeros.
Mixture = dict[Origin, int]


class Kept(NamedTuple):
    """Where one lot stands: what it is mixed of, and what it ever brought in itself, by metal."""

    contents: dict[str, Mixture]
    brought: dict[str, int]


class Tracer(Protocol):
    """Follows movements one by one; `mix` and `follow` drive it in order of time."""

    def held_ug(self, metal: str, lot: int) -> int | None:
        """What the lot holds by the movements so far; None for a lot that isn't traced."""

    def move(self, metal: str, flows: Flows) -> None:
        """Takes one metal's part of a movement."""

    def restate(self, metal: str, lot: int, flows: Flows) -> None:
        """Takes one metal's part of a movement that puts right what came in with `lot`."""


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
    `givers`). `kept` is where lots stood when the steps begin; what went to accounts is then that
    of these steps alone, and not followed at all unless `tells_gone`.
    """

    def __init__(
        self,
        lots: Collection[int] | None = None,
        kept: Mapping[int, Kept] | None = None,
        *,
        tells_gone: bool = True,
    ) -> None:
        self.contents: dict[str, dict[int, Mixture]] = defaultdict(dict)
        self.gone: dict[str, dict[str, Mixture]] = defaultdict(dict)
        # All that each lot ever brought in from outside, by metal.
        self.brought: dict[str, dict[int, int]] = defaultdict(dict)
        self._held: dict[str, dict[int, int]] = defaultdict(dict)
        self._lots = lots
        self._tells_gone = tells_gone
        for lot, (contents, brought) in (kept or {}).items():
            for metal, mixture in contents.items():
                self.contents[metal][lot] = mixture
                self._held[metal][lot] = sum(mixture.values())
            for metal, brought_ug in brought.items():
                self.brought[metal][lot] = brought_ug

    def of_lot(self, lot: int) -> Kept:
        """Where the lot stands now, ready to be kept."""
        contents = {
            metal: by_lot[lot] for metal, by_lot in self.contents.items() if by_lot.get(lot)
        }
        brought = {metal: by_lot[lot] for metal, by_lot in self.brought.items() if by_lot.get(lot)}
        return Kept(contents, brought)

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

    def restate(self, metal: str, lot: int, flows: Flows) -> None:
        own = Origin(lot, accounts.ASSAY_DIFFERENCE)
        for holder, change_ug in restated(flows):
            placed_ug = change_ug
            if isinstance(holder, str):
                self._tell_gone(metal, holder, {own: change_ug})
            elif self._lots is None or holder in self._lots:
                contents, held = self.contents[metal], self._held[metal]
                mixture, held_ug = contents.get(holder, {}), held.get(holder, 0)
                held[holder] = held_ug + change_ug
                if change_ug > 0:
                    contents[holder] = joined(mixture, {own: change_ug})
                else:
                    taken, contents[holder] = _taken_of(lot, holder, mixture, -change_ug)
                    others = {each: ug for each, ug in taken.items() if each.lot != lot}
                    placed_ug += sum(others.values())
                    self._tell_gone(metal, own.account, others)
            self._tell_brought(metal, lot, placed_ug)

    def _give(self, metal: str, flows: Flows, pool: Mixture) -> None:
        contents, held = self.contents[metal], self._held[metal]
        left_ug = sum(mass_ug for _, mass_ug in flows.targets)
        for holder, mass_ug in flows.targets:
            part, pool = draw(pool, left_ug, mass_ug)
            left_ug -= mass_ug
            if isinstance(holder, str):
                self._tell_gone(metal, holder, part)
            elif self._lots is None or holder in self._lots:
                part = self._begin(metal, part, holder)
                contents[holder] = joined(contents.get(holder, {}), part)
                held[holder] = held.get(holder, 0) + mass_ug

    def _begin(self, metal: str, part: Mixture, lot: int) -> Mixture:
        """A portion as the lot keeps it: metal from outside has this lot for its origin."""
        if not part or next(iter(part)).lot != OUTSIDE:
            return part
        kept: Mixture = {}
        for origin, mass_ug in part.items():
            own = origin
            if origin.lot == OUTSIDE:
                own = Origin(lot, origin.account)
                self._tell_brought(metal, lot, mass_ug)
            kept[own] = kept.get(own, 0) + mass_ug
        return dict(sorted(kept.items()))

    def _tell_gone(self, metal: str, account: str, part: Mixture) -> None:
        if self._tells_gone:
            gone = self.gone[metal].setdefault(account, {})
            for origin, mass_ug in part.items():
                gone[origin] = gone.get(origin, 0) + mass_ug

    def _tell_brought(self, metal: str, lot: int, mass_ug: int) -> None:
        brought = self.brought[metal]
        brought[lot] = brought.get(lot, 0) + mass_ug


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


def edges_of(steps: Iterable[Step]) -> dict[tuple[Holder, Holder, str], int]:
    """Micrograms moved from holder to holder, by metal; a late assay's with its difference."""
    edges: dict[tuple[Holder, Holder, str], int] = defaultdict(int)
    for step in steps:
        for metal, flows in flows_of(step.lines).items():
            if step.restates is None:
                for source, target, mass_ug in paired(flows.sources, flows.targets):
                    edges[source, target, metal] += mass_ug
                continue
            for holder, change_ug in restated(flows):
                edge = (accounts.ASSAY_DIFFERENCE, holder)
                edges[*(edge if change_ug > 0 else edge[::-1]), metal] += abs(change_ug)
    return edges


def mix(
    steps: Iterable[Step],
    lots: Collection[int] | None = None,
    kept: Mapping[int, Kept] | None = None,
    *,
    tells_gone: bool = True,
) -> Mixing:
    """The mixture of every lot (or of `lots`) after `steps`, given in order of time.

    `kept` is where the lots stood when the steps begin, if that is not with the books.
    """
    tracer = Mixing(lots, kept, tells_gone=tells_gone)
    run(tracer, steps)
    return tracer


def restated(flows: Flows) -> list[tuple[Holder, int]]:
    """The changes of a restating movement, without the difference account that answers them."""
    changes = [(holder, -mass_ug) for holder, mass_ug in flows.sources]
    changes += flows.targets
    return [(holder, ug) for holder, ug in changes if holder != accounts.ASSAY_DIFFERENCE]


def run(tracer: Tracer, steps: Iterable[Step]) -> None:
    """Takes the steps in order; those of one moment in whichever order leaves no lot short.

    The ledger keeps every lot above zero at every moment, not between two movements of one moment.
    Movements that can only have happened together are taken as one.
    """
    for _, together in groupby(steps, key=attrgetter("at")):
        waiting = [(step.restates, flows_of(step.lines)) for step in together]
        while waiting:
            short = [each for each in waiting if not _taken(tracer, *each)]
            if len(short) == len(waiting):
                lines = [line for _, flows in short for line in _lines(flows)]
                assert _taken(tracer, None, flows_of(lines)), "a lot gives more than it holds"
                short = []
            waiting = short


def _taken(tracer: Tracer, restates: int | None, flows: Mapping[str, Flows]) -> bool:
    """Whether the movement could be taken: no lot traced gives more than it holds."""
    for metal, (sources, _) in flows.items():
        for holder, mass_ug in sources:
            if isinstance(holder, int):
                held_ug = tracer.held_ug(metal, holder)
                if held_ug is not None and held_ug < mass_ug:
                    return False
    for metal, each in flows.items():
        if restates is None:
            tracer.move(metal, each)
        else:
            tracer.restate(metal, restates, each)
    return True


def _lines(flows: Mapping[str, Flows]) -> Iterator[tuple[Holder, str, int]]:
    for metal, (sources, targets) in flows.items():
        yield from ((holder, metal, -mass_ug) for holder, mass_ug in sources)
        yield from ((holder, metal, mass_ug) for holder, mass_ug in targets)


def _taken_of(lot: int, holder: int, mixture: Mixture, ug: int) -> tuple[Mixture, Mixture]:
    """`ug` of `lot`'s own metal out of a mixture, the rest of everybody's; and what is left.

    In the lot itself the change is of all it holds, in proportion.
    """
    whole_ug = sum(mixture.values())
    if holder == lot:
        return draw(mixture, whole_ug, ug)
    own = {origin: each for origin, each in mixture.items() if origin.lot == lot}
    others = {origin: each for origin, each in mixture.items() if origin.lot != lot}
    own_ug = sum(own.values())
    taken, left = draw(own, own_ug, min(ug, own_ug))
    if ug > own_ug:
        more, others = draw(others, whole_ug - own_ug, ug - own_ug)
        taken = joined(taken, more)
    return taken, joined(others, left)
