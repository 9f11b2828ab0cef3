"""The movements as a trace takes them: in order of time, without what was taken back."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from itertools import groupby
from operator import attrgetter
from typing import NamedTuple

# A lot by its number, or an outside account by its code.
Holder = int | str


class Step(NamedTuple):
    """One movement: when it happened, its number, and its lines of holder, metal, micrograms.

    `restates` is the lot whose content the movement puts right, after some of it moved on: an
    assay ruled late. Its lines change that lot's metal wherever it is, and nobody else's.
    """

    at: dt.datetime
    movement: int
    lines: Sequence[tuple[Holder, str, int]]
    restates: int | None = None


class Flows(NamedTuple):
    """One metal's part of a movement: what leaves whom, and what arrives where, all above zero."""

    sources: list[tuple[Holder, int]]
    targets: list[tuple[Holder, int]]


def flows_of(lines: Iterable[tuple[Holder, str, int]]) -> dict[str, Flows]:
    """A movement's lines by metal: one sum a holder, what leaves apart from what arrives."""
    sums: dict[str, dict[Holder, int]] = {}
    for holder, metal, mass_ug in lines:
        by_holder = sums.setdefault(metal, {})
        by_holder[holder] = by_holder.get(holder, 0) + mass_ug
    return {
        metal: Flows(
            [(holder, -mass_ug) for holder, mass_ug in by_holder.items() if mass_ug < 0],
            [(holder, mass_ug) for holder, mass_ug in by_holder.items() if mass_ug > 0],
        )
        for metal, by_holder in sums.items()
    }


def without_reversed(steps: Iterable[Step], reverses: Mapping[int, int]) -> Iterator[Step]:
    """The steps without those that a reversal of the same moment took back, and without it.

    `reverses` maps a reversal's movement to the one it takes back, for the pairs of one moment. A
    reversal that had to wait for an open month is a step of its own: until then the books said
    otherwise, and what was drawn meanwhile was drawn on them.
    """
    dropped = set(reverses) | set(reverses.values())
    return (step for step in steps if step.movement not in dropped)


def in_chunks(steps: Iterable[Step], movements_min: int) -> Iterator[list[Step]]:
    """The steps in lists of at least so many, each ending with the last of its moment."""
    chunk: list[Step] = []
    for _, together in groupby(steps, key=attrgetter("at")):
        chunk += together
        if len(chunk) >= movements_min:
            yield chunk
            chunk = []
    if chunk:
        yield chunk


def touching(steps: Iterable[Step], lots: Collection[int]) -> Iterator[Step]:
    """The steps that give to, take from or restate one of the lots."""
    return (step for step in steps if not lots_in(step).isdisjoint(lots))


def lots_in(step: Step) -> set[int]:
    """Every lot whose place in the traces the step can change."""
    lots = {holder for holder, _, _ in step.lines if isinstance(holder, int)}
    return lots if step.restates is None else lots | {step.restates}


def givers(steps: Iterable[Step], lots: Iterable[int]) -> set[int]:
    """The lots, and every lot whose metal can have come to them."""
    return reached(given_by(steps), lots)


def given_by(steps: Iterable[Step]) -> dict[int, set[int]]:
    """For each lot that took, the lots that gave in the same movement."""
    into: dict[int, set[int]] = defaultdict(set)
    for step in steps:
        sources, targets = _lots_of(step)
        for target in targets:
            into[target].update(sources)
    return into


def takers(steps: Iterable[Step], lots: Iterable[int]) -> set[int]:
    """The lots, and every lot their metal can have gone to."""
    out_of: dict[int, set[int]] = defaultdict(set)
    for step in steps:
        sources, targets = _lots_of(step)
        for source in sources:
            out_of[source].update(targets)
    return reached(out_of, lots)


def restated_elsewhere(steps: Iterable[Step]) -> set[int]:
    """The lots of which a late assay takes metal out of other lots."""
    return {
        step.restates
        for step in steps
        if step.restates is not None
        for flows in flows_of(step.lines).values()
        if any(isinstance(lot, int) and lot != step.restates for lot, _ in flows.sources)
    }


def reached(links: Mapping[int, set[int]], lots: Iterable[int]) -> set[int]:
    """The lots, and all that the links lead to from them."""
    seen = set(lots)
    frontier = list(seen)
    while frontier:
        fresh = links.get(frontier.pop(), set()) - seen
        seen |= fresh
        frontier += fresh
    return seen


def _lots_of(step: Step) -> tuple[set[int], set[int]]:
    sources = {holder for holder, _, ug in step.lines if ug < 0 and isinstance(holder, int)}
    targets = {holder for holder, _, ug in step.lines if ug > 0 and isinstance(holder, int)}
    # A late assay can put a lot's metal where no movement brought it.
    return sources | ({step.restates} if step.restates is not None else set()), targets
