"""The way of a lot's metal, drawn: what it came from and where it went."""

from __future__ import annotations

from typing import Final

from config.charts import Web
from config.refusals import shorten
from lots.metals import Metal
from lots.queries.trace import Graph
from lots.units import ug_to_g

# More than this is a tangle; the table beside it says the same.
KNOTS_MAX: Final = 40
# What a knot's box takes.
LABEL_MAX: Final = 18


def trace_web(graph: Graph, title: str) -> Web | None:
    """The metal that moved most, or None when nothing moved or too much to be drawn."""
    moved: dict[str, int] = {}
    for edge in graph.edges:
        moved[edge.metal] = moved.get(edge.metal, 0) + edge.mass_ug
    if not moved:
        return None
    metal = max(moved, key=lambda each: moved[each])
    labels = {node.key: shorten(node.label, LABEL_MAX) for node in graph.nodes}
    edges = [edge for edge in graph.edges if edge.metal == metal]
    touched = {key for edge in edges for key in (edge.source, edge.target)}
    knots = [labels[node.key] for node in graph.nodes if node.key in touched]
    if len(set(knots)) != len(touched) or len(knots) > KNOTS_MAX:
        return None
    threads = [
        (labels[edge.source], labels[edge.target], float(ug_to_g(edge.mass_ug))) for edge in edges
    ]
    return Web(f"{Metal(metal).label}: {title}", "grams", knots, threads)
