"""The way of a lot's metal, drawn: what it came from and where it went."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import Final

from config.drawing.charts import Web
from config.refusals import shorten
from lots.metals import Metal
from lots.models import Lot
from lots.traces.lot_trace import Edge, Graph
from lots.units import ug_to_g

# More than this is a tangle.
KNOTS_MAX: Final = 40
# What a knot's box takes.
LABEL_MAX: Final = 18


def trace_web(graph: Graph, lot: Lot, direction: str) -> Web | None:
    """The way of the metal that moved most at the lot itself; None when nothing moved there.

    Of too many knots the nearest are drawn, and the title says so.
    """
    moved: dict[str, int] = defaultdict(int)
    for edge in graph.edges:
        if lot.code in {edge.source, edge.target}:
            moved[edge.metal] += edge.mass_ug
    if not moved:
        return None
    metal = max(moved, key=lambda each: moved[each])
    edges = [edge for edge in graph.edges if edge.metal == metal]
    touched = {key for edge in edges for key in (edge.source, edge.target)}
    drawn = _nearest(edges, lot.code)
    title = f"{Metal(metal).label}: the way {direction} {lot.code}"
    if len(drawn) < len(touched) or not graph.is_whole:
        title += ", its nearest part"
    labels = {node.key: shorten(node.label, LABEL_MAX) for node in graph.nodes}
    knots = [labels[node.key] for node in graph.nodes if node.key in drawn]
    if len(set(knots)) < len(knots):
        # Two outside accounts have names that are cut to the same.
        return None
    threads = [
        (labels[edge.source], labels[edge.target], float(ug_to_g(edge.mass_ug)))
        for edge in edges
        if {edge.source, edge.target} <= drawn
    ]
    return Web(title, "grams", knots, threads)


def _nearest(edges: Sequence[Edge], start: str) -> set[str]:
    """The knots nearest to the lot along the threads, as many as can be drawn."""
    beside: dict[str, list[str]] = defaultdict(list)
    for edge in sorted(edges, key=lambda edge: -edge.mass_ug):
        beside[edge.source].append(edge.target)
        beside[edge.target].append(edge.source)
    near = [start]
    for key in near:
        near += [other for other in dict.fromkeys(beside[key]) if other not in near]
        if len(near) >= KNOTS_MAX:
            break
    return set(near[:KNOTS_MAX])
