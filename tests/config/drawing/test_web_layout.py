"""A web of lots reads from left to right, and circles do not hang it."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from config.drawing.chart_drawing import draw
from config.drawing.charts import Web, tabulate
from config.drawing.web_layout import columns


def test_a_knot_stands_right_of_all_that_it_comes_from():
    laid = columns("abcd", [("a", "b"), ("b", "d"), ("a", "c"), ("c", "d"), ("a", "d")])
    assert laid == [["a"], ["b", "c"], ["d"]]


def test_a_circle_is_laid_out_all_the_same():
    laid = columns("abc", [("a", "b"), ("b", "c"), ("c", "b")])
    assert sorted(knot for column in laid for knot in column) == ["a", "b", "c"]


@settings(max_examples=60)
@given(st.lists(st.tuples(st.integers(0, 9), st.integers(0, 9)), max_size=25))
def test_without_circles_every_thread_goes_right(pairs):
    threads = [(min(pair), max(pair)) for pair in pairs if pair[0] != pair[1]]
    laid = columns(range(10), threads)
    depth = {knot: index for index, column in enumerate(laid) for knot in column}
    assert all(depth[source] < depth[target] for source, target in threads)


def test_a_web_is_drawn_with_its_names_escaped_and_tabulated():
    web = Web("Silver", "grams", ["a<b", "c"], [("a<b", "c", 12.5)])
    assert "a&lt;b" in draw(web)
    assert draw(web).count("<path") == 1
    assert tabulate(web).rows == (("a<b", "c", "12.500"),)
