"""Where the metal that has been in one lot is now, without everybody's mixtures."""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from itertools import accumulate
from operator import attrgetter

from lots.ledger import accounts
from lots.traces.trace import Kept, Mixture, paired, portion, restated, run
from lots.traces.trace_steps import Flows, Holder, Step, restated_elsewhere

# What lots hold: micrograms by metal and lot.
Held = Mapping[str, Mapping[int, int]]
# For each cut, the micrograms of origins below it; then the micrograms of all.
Told = tuple[int, ...]


class Following:
    """Where the metal that has ever been in one lot is now, without everybody's mixtures.

    Origins stand in order of their lots, so the share of one lot is what the lots up to and with it
    give together, less what the lots before it give: two running totals a holder instead of a whole
    mixture, and the same micrograms. Whatever enters the lot followed becomes that lot's. `lots`
    limits the trace as in `Mixing`; it must hold what shares a movement with any of its takers.
    `restated` are the other lots whose own shares late assays take from, each known by two cuts.
    When following begins, lots hold `held` by metal, all of it of origins before the lot; or they
    are mixed as `kept` says, of origins other than the lot.
    """

    def __init__(
        self,
        lot: int,
        lots: Collection[int] | None = None,
        restated: Collection[int] = (),
        held: Held | None = None,
        kept: Mapping[int, Kept] | None = None,
    ) -> None:
        self.lot = lot
        self.entered: dict[str, int] = defaultdict(int)
        self.gone: dict[str, dict[str, int]] = defaultdict(lambda: defaultdict(int))
        # Micrograms of the lot's metal moved from holder to holder, by metal.
        self.edges: dict[tuple[Holder, Holder, str], int] = defaultdict(int)
        self._told: dict[str, dict[int, Told]] = defaultdict(dict)
        self._lots = lots
        self._cuts = sorted({cut for each in {lot, *restated} for cut in (each, each + 1)})
        self._before = self._cuts.index(lot)
        self._nothing: Told = (0,) * (len(self._cuts) + 1)
        for metal, by_lot in (held or {}).items():
            self._told[metal] = {each: (ug,) * len(self._nothing) for each, ug in by_lot.items()}
        for each, (contents, _) in (kept or {}).items():
            for metal, mixture in contents.items():
                self._told[metal][each] = self._told_of(mixture)

    def held_ug(self, metal: str, lot: int) -> int | None:
        if not self._is_traced(lot):
            return None
        return self._told[metal].get(lot, self._nothing)[-1]

    def parts(self, metal: str) -> dict[int, int]:
        """Micrograms of the lot's metal in each lot that has some."""
        parts = {lot: self._own(told) for lot, told in self._told[metal].items()}
        return {lot: ug for lot, ug in parts.items() if ug}

    def marked(self) -> set[int]:
        """The lots that have any of the lot's metal."""
        return {lot for metal in self._told for lot in self.parts(metal)}

    def move(self, metal: str, flows: Flows) -> None:
        told = self._told[metal]
        fresh = 0
        pool = self._nothing
        is_whole = True
        marked: list[tuple[Holder, int]] = []
        for holder, mass_ug in flows.sources:
            if isinstance(holder, str):
                fresh += mass_ug
                pool = tuple(each + mass_ug for each in pool)
            elif self._is_traced(holder):
                taken = _portion(told[holder], mass_ug)
                told[holder] = _less(told[holder], taken)
                pool = _plus(pool, taken)
                if self._own(taken):
                    marked.append((holder, self._own(taken)))
            else:
                is_whole = False
        assert is_whole or not marked, "the lot's metal is mixed with metal that isn't traced"
        if is_whole:
            self._give(metal, flows, (fresh, *pool), marked)

    def restate(self, metal: str, lot: int, flows: Flows) -> None:
        told = self._told[metal]
        for holder, change_ug in restated(flows):
            is_own = self.lot in (lot, holder)
            if is_own:
                edge = (accounts.ASSAY_DIFFERENCE, holder)
                self.edges[*(edge if change_ug > 0 else edge[::-1]), metal] += abs(change_ug)
            if isinstance(holder, str):
                if lot == self.lot:
                    self.gone[metal][holder] += change_ug
                    self.entered[metal] += change_ug
            elif self._is_traced(holder):
                was = told.get(holder, self._nothing)
                if change_ug > 0:
                    origin = holder if holder == self.lot else lot
                    told[holder] = _plus(was, self._all_of(origin, change_ug))
                    self.entered[metal] += change_ug if is_own else 0
                    continue
                told[holder] = self._taken_of(lot, holder, was, -change_ug)
                lost_ug = self._own(was) - self._own(told[holder])
                if lot == self.lot:
                    # Beyond the lot's own share nothing of it was there to be taken.
                    self.entered[metal] -= lost_ug
                else:
                    self.gone[metal][accounts.ASSAY_DIFFERENCE] += lost_ug

    def _give(self, metal: str, flows: Flows, pool: Told, marked: list[tuple[Holder, int]]) -> None:
        """`pool` begins with what came fresh from outside, which every cut counts as below it."""
        told = self._told[metal]
        arrived: list[tuple[Holder, int]] = []
        for holder, mass_ug in flows.targets:
            part = _portion(pool, mass_ug)
            pool = _less(pool, part)
            fresh, got = part[0], part[1:]
            arrived.append((holder, self._own(got)))
            if isinstance(holder, str):
                self.gone[metal][holder] += self._own(got)
            elif self._is_traced(holder):
                if holder == self.lot:
                    self.entered[metal] += mass_ug - self._own(got)
                    got = self._all_of(holder, mass_ug)
                elif fresh:
                    # What came from outside begins in this lot, so cuts up to it are above it.
                    above = bisect_left(self._cuts, holder + 1)
                    got = (*(each - fresh for each in got[:above]), *got[above:])
                told[holder] = _plus(told.get(holder, self._nothing), got)
        self._count_edges(metal, flows, marked, arrived)

    def _taken_of(self, lot: int, holder: int, was: Told, ug: int) -> Told:
        """As `Mixing` does: of the lot's own share, then of the others'; all alike in the lot."""
        if holder == lot:
            return _less(was, _portion(was, ug))
        at = self._cuts.index(lot)
        own_ug = was[at + 1] - was[at]
        without_own = _less(was, self._all_of(lot, own_ug))
        if ug <= own_ug:
            return _plus(without_own, self._all_of(lot, own_ug - ug))
        return _less(without_own, _portion(without_own, ug - own_ug))

    def _all_of(self, lot: int, ug: int) -> Told:
        """Metal of one origin."""
        return (*(ug if lot < cut else 0 for cut in self._cuts), ug)

    def _told_of(self, mixture: Mixture) -> Told:
        """What the origins below each cut have of a mixture, and what all have."""
        running = [0, *accumulate(mixture.values())]
        lots = [origin.lot for origin in mixture]
        return (*(running[bisect_left(lots, cut)] for cut in self._cuts), running[-1])

    def _own(self, told: Told) -> int:
        return told[self._before + 1] - told[self._before]

    def _is_traced(self, lot: int) -> bool:
        return self._lots is None or lot in self._lots

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


def follow(steps: Sequence[Step], lot: int, lots: Collection[int] | None = None) -> Following:
    """Where the metal that has been in `lot` is after `steps`, given in order of time.

    What happened before any lot as late as this one was there comes down to balances.
    """
    first = next(
        (step.at for step in steps if any(_is_from(holder, lot) for holder, _, _ in step.lines)),
        None,
    )
    if first is not None:
        since = bisect_left(steps, first, key=attrgetter("at"))
        following = follow_since(steps[since:], lot, lots, _held_after(steps[:since]))
        if following is not None:
            return following
    tracer = Following(lot, lots, restated_elsewhere(steps))
    run(tracer, steps)
    return tracer


def follow_since(
    steps: Sequence[Step], lot: int, lots: Collection[int] | None, held: Held
) -> Following | None:
    """As `follow`, from when only origins before the lot were there and lots held `held`.

    None when a late assay since then takes from the share of an earlier lot: what that share was
    takes the whole history to know.
    """
    restated = restated_elsewhere(steps)
    if any(each < lot for each in restated):
        return None
    tracer = Following(lot, lots, restated, held)
    run(tracer, steps)
    return tracer


def _is_from(holder: Holder, lot: int) -> bool:
    return isinstance(holder, int) and holder >= lot


def _held_after(steps: Iterable[Step]) -> Held:
    held: dict[str, dict[int, int]] = defaultdict(lambda: defaultdict(int))
    for step in steps:
        for holder, metal, mass_ug in step.lines:
            if isinstance(holder, int):
                held[metal][holder] += mass_ug
    return held


def _portion(told: Told, taken_ug: int) -> Told:
    whole = told[-1]
    return tuple(portion(each, whole, taken_ug) for each in told)


def _plus(one: Told, other: Told) -> Told:
    return tuple(a + b for a, b in zip(one, other, strict=True))


def _less(one: Told, other: Told) -> Told:
    return tuple(a - b for a, b in zip(one, other, strict=True))
