"""Charts: round ticks that cover the figures, the same figures as a table, nothing unescaped."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import pytest

from config.drawing.chart_drawing import draw, nice_ticks
from config.drawing.charts import (
    Band,
    Bar,
    BarChart,
    Knot,
    Limit,
    LineChart,
    Series,
    Step,
    Stream,
    Streams,
    Waterfall,
    number,
    tabulate,
)

LINES = LineChart(
    "Current of run <1>",
    "hours",
    "amperes",
    [Series("Current", [(0, 40.0), (5, 38.5), (10, 31.25)])],
    bands=[Band("Forecast", [(10, 30, 32), (20, 18, 26)])],
    limits=[Limit("limit of the cell", 60)],
)
BARS = BarChart("At stake", "grams", [Bar("SB1", 28.04, 14.1), Bar("SB2", 0.5)], decimals=1)
FALL = Waterfall(
    "Silver",
    "grams",
    [Step("Opening", 100, True), Step("Lost", -12.5), Step("Closing", 87.5, True)],
)
KNOTS = (Knot("a", "Opening", 0), Knot("b", "Store", 1), Knot("c", "Melt", 2))
FLOW = Streams(
    "Silver",
    "grams",
    KNOTS,
    [Stream("a", "b", 100.0), Stream("b", "c", 60.0, 20.0), Stream("c", "a", 10.0)],
)


@pytest.mark.parametrize("chart", [LINES, BARS, FALL, FLOW])
def test_every_chart_is_well_formed_and_without_style_attributes(chart) -> None:
    svg = draw(chart)
    root = ElementTree.fromstring(svg)
    assert root.attrib["role"] == "img"
    assert root.attrib["aria-label"] == chart.title
    assert "style=" not in svg


@pytest.mark.parametrize("chart", [LINES, BARS, FALL, FLOW])
def test_everything_drawn_stays_inside_the_drawing(chart) -> None:
    root = ElementTree.fromstring(draw(chart))
    _, _, width, height = map(float, root.attrib["viewBox"].split())
    for element in root.iter():
        for name, limit in (("x", width), ("x1", width), ("x2", width), ("y1", height)):
            if name in element.attrib:
                assert -0.5 <= float(element.attrib[name]) <= limit + 0.5, element.attrib


def test_axes_name_their_units() -> None:
    assert "amperes" in draw(LINES)
    assert "hours" in draw(LINES)
    assert "grams" in draw(BARS)
    assert "grams" in draw(FALL)


def test_line_falls_where_its_figures_fall() -> None:
    points = re.search(r'<polyline[^>]*points="([^"]+)"', draw(LINES))
    assert points is not None
    xs, ys = zip(*(map(float, pair.split(",")) for pair in points[1].split()), strict=True)
    assert list(xs) == sorted(xs)
    assert list(ys) == sorted(ys)  # the current falls, so the drawing's y grows downwards


def test_bar_is_as_long_as_its_figure() -> None:
    widths = [float(each) for each in re.findall(r'width="([0-9.]+)" height="22.0"', draw(BARS))]
    assert widths[0] / widths[1] == pytest.approx(28.04 / 0.5, rel=0.05)


def test_tables_hold_the_same_figures() -> None:
    assert tabulate(BARS).rows == (("SB1", "28.0", "14.1"), ("SB2", "0.5", ""))
    assert tabulate(FALL).rows[1] == ("Lost", "−12.500")
    assert tabulate(FLOW).rows[1] == ("Store", "Melt", "60.000", "20.000", "40.000")
    lines = tabulate(LINES)
    assert lines.headings == ("hours", "Current (amperes)", "Forecast (amperes)")
    assert ("10.00", "31.25", "30.00 to 32.00") in lines.rows
    assert lines.rows[-1] == ("limit of the cell", "60.00", "")


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [
        (0, 10, [0, 2, 4, 6, 8, 10]),
        (0, 0.97, [0, 0.2, 0.4, 0.6, 0.8, 1.0]),
        (-3, 12, [-5, 0, 5, 10, 15]),
        (7, 7, [7, 9, 11, 13, 15]),
    ],
)
def test_ticks_are_round_and_cover_the_figures(low, high, expected) -> None:
    ticks = nice_ticks(low, high)
    assert ticks[0] <= low
    assert ticks[-1] >= high
    if low != high:
        assert ticks == pytest.approx(expected)


def test_figure_that_is_not_finite_is_refused() -> None:
    with pytest.raises(ValueError, match="finite"):
        nice_ticks(0, float("inf"))
    with pytest.raises(ValueError, match="finite"):
        draw(BarChart("Broken", "grams", [Bar("x", float("nan"))]))


def test_numbers_have_thin_spaces_and_a_real_minus() -> None:
    assert number(-1302.4, 3) == "−1\u202f302.400"
    assert number(12.5, 1, signed=True) == "+12.5"
    assert number(0, 1, signed=True) == "0.0"


def test_empty_chart_still_draws() -> None:
    assert draw(LineChart("Nothing", "hours", "volts", [])).startswith("<svg")
    assert draw(BarChart("Nothing", "grams", [])).startswith("<svg")
