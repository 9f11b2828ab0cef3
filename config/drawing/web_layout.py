"""Where each knot of a web stands: after all it comes from, as far as circles allow."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Hashable, Sequence
from typing import TypeVar

Knot = TypeVar("Knot", bound=Hashable)


def columns(knots: Sequence[Knot], threads: Sequence[tuple[Knot, Knot]]) -> list[list[Knot]]:
    """The knots in columns from left to right; within one, in the order given.

    A knot stands right of the last that it comes from. A thread that would close a circle (metal
    that comes back to where it was) is left out of the count, in the order in which it is met.
    """
    before: dict[Knot, list[Knot]] = defaultdict(list)
    for source, target in threads:
        if source != target:
            before[target].append(source)
    depth: dict[Knot, int] = {}
    for knot in knots:
        _settle(knot, before, depth)
    found: dict[int, list[Knot]] = defaultdict(list)
    for knot in knots:
        found[depth[knot]].append(knot)
    return [found[each] for each in sorted(found)]


def _settle(knot: Knot, before: dict[Knot, list[Knot]], depth: dict[Knot, int]) -> None:
    """Finds the depth of a knot and of all before it, without recursion."""
    on_the_way = {knot}
    path = [knot]
    while path:
        last = path[-1]
        if last in depth:
            on_the_way.discard(path.pop())
            continue
        unsettled = [each for each in before[last] if each not in depth and each not in on_the_way]
        if unsettled:
            on_the_way.add(unsettled[0])
            path.append(unsettled[0])
            continue
        settled = [depth[each] for each in before[last] if each in depth]
        depth[last] = 1 + max(settled, default=-1)
