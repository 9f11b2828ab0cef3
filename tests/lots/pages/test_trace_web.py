"""The drawn way of a lot's metal: all of it, or the nearest part of a long one."""

from __future__ import annotations

from lots.models import Lot
from lots.pages.trace_web import KNOTS_MAX, trace_web
from lots.traces.lot_trace import Edge, Graph, Node


def chain(length, *, is_whole=True):
    """Silver handed on from lot to lot, the last being `L0`; and gold between two others."""
    codes = [f"L{number}" for number in range(length + 1)]
    nodes = [Node(code, "lot", code) for code in codes]
    edges = [Edge(codes[n + 1], codes[n], "Ag", 1_000_000 + n) for n in range(length)]
    edges.append(Edge(codes[-1], codes[-2], "Au", 9_000_000_000))
    return Graph(nodes, edges, is_whole)


def test_a_short_way_is_drawn_whole():
    web = trace_web(chain(3), Lot(code="L0"), "to")
    assert web.title == "Silver: the way to L0"
    assert list(web.knots) == ["L0", "L1", "L2", "L3"]
    assert web.threads[0] == ("L1", "L0", 1.0)


def test_of_a_long_way_the_nearest_is_drawn():
    web = trace_web(chain(KNOTS_MAX + 20), Lot(code="L0"), "to")
    assert web.title == "Silver: the way to L0, its nearest part"
    assert list(web.knots) == [f"L{number}" for number in range(KNOTS_MAX)]
    assert len(web.threads) == KNOTS_MAX - 1
    assert "nearest" in trace_web(chain(3, is_whole=False), Lot(code="L0"), "to").title


def test_nothing_is_drawn_of_a_lot_that_nothing_moved_at():
    assert trace_web(Graph([], []), Lot(code="L0"), "from") is None
