"""Which SVG shows a chart? Colours are CSS classes: the stylesheet decides them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor, isfinite, log10
from typing import Final

from config.drawing.charts import BarChart, Chart, LineChart, Streams, Waterfall, Web, number
from config.drawing.streams_drawing import draw_streams
from config.drawing.svg_marks import WIDE, WIDTH, check_finite, line, rect, ribbon, svg, text_at
from config.drawing.web_layout import columns

# How many names of places fit below a chart of lines.
PLACES_NAMED_MAX: Final = 6
LEFT: Final = 62
RIGHT: Final = 16
TOP: Final = 14
PLOT_BOTTOM: Final = 44
BAR_STEP: Final = 34
LABEL_WIDTH: Final = 122
LONG_LABEL_WIDTH: Final = 215
# A web of knots: a column's and a row's distance, a knot's box, the widest thread.
WEB_COLUMN: Final = 190
WEB_ROW: Final = 40
WEB_KNOT: Final = 128
WEB_BOX: Final = 26
WEB_THREAD: Final = 18
# About the width of one character of the charts' figures, in the units of the drawing.
CHARACTER: Final = 7.2


def draw(chart: Chart) -> str:
    """The chart as one SVG element. Raises ValueError for a figure that is not finite."""
    if isinstance(chart, LineChart):
        return _draw_lines(chart)
    if isinstance(chart, BarChart):
        return _draw_bars(chart)
    if isinstance(chart, Streams):
        return draw_streams(chart)
    if isinstance(chart, Web):
        return _draw_web(chart)
    return _draw_waterfall(chart)


def nice_ticks(low: float, high: float, about: int = 5) -> list[float]:
    """Round values that cover `low` to `high`, some `about` of them: steps of 1, 2 or 5."""
    if not (isfinite(low) and isfinite(high)):
        raise ValueError("a chart needs finite figures")
    if high <= low:
        high = low + (abs(low) or 1.0)
    raw = (high - low) / about
    power = 10.0 ** floor(log10(raw))
    step = next(power * factor for factor in (1, 2, 5, 10) if power * factor >= raw * 0.999)
    first, last = floor(low / step + 1e-9), ceil(high / step - 1e-9)
    return [index * step for index in range(first, last + 1)]


def _tick_text(value: float, step: float) -> str:
    decimals = max(0, -floor(log10(step) + 1e-9)) if step > 0 else 0
    return number(value, decimals)


@dataclass(frozen=True)
class _Scale:
    low: float
    high: float
    start: float
    end: float

    def __call__(self, value: float) -> float:
        share = (value - self.low) / (self.high - self.low)
        return self.start + share * (self.end - self.start)


def _scale(ticks: Sequence[float], start: float, end: float) -> _Scale:
    return _Scale(ticks[0], ticks[-1], start, end)


def _draw_lines(chart: LineChart) -> str:
    xs = [x for series in chart.series for x, _ in series.points]
    xs += [x for band in chart.bands for x, _, _ in band.points]
    ys = [y for series in chart.series for _, y in series.points]
    ys += [y for band in chart.bands for _, low, high in band.points for y in (low, high)]
    ys += [limit.value for limit in chart.limits]
    check_finite([*xs, *ys])
    bottom = chart.height - PLOT_BOTTOM
    places = [float(place) for place in range(len(chart.x_names))]
    x_ticks = places or nice_ticks(min(xs, default=0.0), max(xs, default=1.0), 6)
    y_ticks = nice_ticks(min([0.0, *ys]), max(ys, default=1.0))
    across = _scale(x_ticks, LEFT, WIDTH - RIGHT)
    if places:
        across = _Scale(-0.5, len(places) - 0.5, LEFT, WIDTH - RIGHT)
        x_ticks = places[:: ceil(len(places) / PLACES_NAMED_MAX)]
    down = _scale(y_ticks, bottom, TOP + 18)
    body = [text_at(LEFT - 54, TOP + 2, chart.y_label, "axis")]
    for tick in y_ticks:
        body.append(line(LEFT, down(tick), WIDTH - RIGHT, down(tick), "grid"))
        text = _tick_text(tick, y_ticks[1] - y_ticks[0])
        body.append(text_at(LEFT - 7, down(tick) + 4, text, "tick", "end"))
    for tick in x_ticks:
        text = chart.x_names[int(tick)] if places else _tick_text(tick, x_ticks[1] - x_ticks[0])
        body.append(line(across(tick), bottom, across(tick), bottom + 4, "axis-line"))
        body.append(text_at(across(tick), bottom + 17, text, "tick", "middle"))
    for level in {bottom, down(0.0)}:
        body.append(line(LEFT, level, WIDTH - RIGHT, level, "axis-line"))
    body.append(text_at(WIDTH - RIGHT, chart.height - 8, chart.x_label, "axis", "end"))
    for band in chart.bands:
        upper = [f"{across(x):.1f},{down(high):.1f}" for x, _, high in band.points]
        lower = [f"{across(x):.1f},{down(low):.1f}" for x, low, _ in reversed(band.points)]
        css = f"band accent-{band.accent}"
        body.append(f'<polygon class="{css}" points="{" ".join(upper + lower)}"/>')
    for limit in chart.limits:
        level = down(limit.value)
        body.append(line(LEFT, level, WIDTH - RIGHT, level, "limit"))
        body.append(text_at(WIDTH - RIGHT - 2, level - 5, limit.name, "limit-name", "end"))
    for series in chart.series:
        css = f"line accent-{series.accent}" + (" dotted" if series.dotted else "")
        path = " ".join(f"{across(x):.1f},{down(y):.1f}" for x, y in series.points)
        if not series.apart:
            body.append(f'<polyline class="{css}" points="{path}"/>')
        if series.apart or (len(series.points) <= 40 and not series.dotted):
            body += [
                f'<circle cx="{across(x):.1f}" cy="{down(y):.1f}" r="2.6" '
                f'class="dot accent-{series.accent}"/>'
                for x, y in series.points
            ]
    return svg(chart.title, chart.height, body, "lines")


@dataclass(frozen=True)
class _Rows:
    """Where a chart of rows has its labels, its plot and its bottom."""

    width: int
    label_width: int
    ticks: Sequence[float]
    across: _Scale
    bottom: float


def _rows(levels: Sequence[float], figures: Sequence[str], width: int, label_width: int) -> _Rows:
    check_finite(levels)
    ticks = nice_ticks(min([0.0, *levels]), max([0.0, *levels]) or 1.0, 4)
    room = CHARACTER * max((len(each) for each in figures), default=0) + 8
    across = _scale(ticks, label_width + 8, width - RIGHT - room)
    return _Rows(width, label_width, ticks, across, TOP + BAR_STEP * len(figures) + 4)


def _frame(rows: _Rows, unit: str) -> list[str]:
    body = []
    across, bottom = rows.across, rows.bottom
    for tick in rows.ticks:
        body.append(line(across(tick), TOP, across(tick), bottom, "grid"))
        text = _tick_text(tick, rows.ticks[1] - rows.ticks[0])
        body.append(text_at(across(tick), bottom + 16, text, "tick", "middle"))
    body.append(line(across(0), TOP, across(0), bottom, "axis-line"))
    body.append(text_at(rows.width - RIGHT, bottom + 33, unit, "axis", "end"))
    return body


def _draw_bars(chart: BarChart) -> str:
    ends = [bar.value + sign * (bar.plus_minus or 0) for bar in chart.bars for sign in (-1, 1)]
    figures = [number(bar.value, chart.decimals) for bar in chart.bars]
    rows = _rows(ends, figures, WIDTH, LABEL_WIDTH)
    across, body = rows.across, _frame(rows, chart.unit)
    for index, bar in enumerate(chart.bars):
        top = TOP + BAR_STEP * index + 7
        left, right = sorted((across(0), across(bar.value)))
        middle = top + 11
        body.append(text_at(LABEL_WIDTH, middle + 4, bar.label, "label", "end"))
        body.append(rect(left, top, right - left, 22, f"bar accent-{bar.accent}"))
        reach = right
        if bar.plus_minus:
            low, high = across(bar.value - bar.plus_minus), across(bar.value + bar.plus_minus)
            reach = max(reach, high)
            body.append(line(low, middle, high, middle, "whisker"))
            body += [line(x, middle - 5, x, middle + 5, "whisker") for x in (low, high)]
        body.append(text_at(reach + 6, middle + 4, figures[index], "figure"))
    return svg(chart.title, rows.bottom + 40, body, "bars")


def _draw_waterfall(chart: Waterfall) -> str:
    spans: list[tuple[float, float]] = []
    level = 0.0
    for step in chart.steps:
        before, level = (0.0, step.value) if step.is_total else (level, level + step.value)
        spans.append((before, level))
    figures = [number(step.value, chart.decimals, signed=not step.is_total) for step in chart.steps]
    ends = [end for span in spans for end in span]
    rows = _rows(ends, figures, WIDE, LONG_LABEL_WIDTH)
    across, body = rows.across, _frame(rows, chart.unit)
    for index, (step, (before, after)) in enumerate(zip(chart.steps, spans, strict=True)):
        top = TOP + BAR_STEP * index + 7
        left, right = sorted((across(before), across(after)))
        css = "total" if step.is_total else "gain" if step.value >= 0 else "fall"
        body.append(text_at(LONG_LABEL_WIDTH, top + 15, step.label, "label", "end"))
        body.append(rect(left, top, right - left, 22, css))
        if index + 1 < len(chart.steps):
            body.append(line(across(after), top + 22, across(after), top + BAR_STEP, "joint"))
        body.append(text_at(right + 6, top + 15, figures[index], "figure"))
    return svg(chart.title, rows.bottom + 40, body, "waterfall", WIDE)


def _draw_web(chart: Web) -> str:
    """Knots in columns, what went between them as bands as wide as their share of the most."""
    check_finite([value for _, _, value in chart.threads])
    laid = columns(chart.knots, [(source, target) for source, target, _ in chart.threads])
    most = max((value for _, _, value in chart.threads), default=0.0) or 1.0
    width = max(WIDE, len(laid) * WEB_COLUMN)
    place = {
        knot: (column * WEB_COLUMN + 4.0, TOP + row * WEB_ROW)
        for column, knots in enumerate(laid)
        for row, knot in enumerate(knots)
    }
    body = []
    for source, target, value in chart.threads:
        (x1, y1), (x2, y2) = place[source], place[target]
        thick = max(WEB_THREAD * value / most, 1.0)
        begin = (x1 + WEB_KNOT, y1 + (WEB_BOX - thick) / 2)
        body.append(ribbon(begin, (x2, y2 + (WEB_BOX - thick) / 2), thick, "stream came"))
    for knot, (x, y) in place.items():
        body.append(rect(x, y, WEB_KNOT, WEB_BOX, "knot"))
        body.append(text_at(x + WEB_KNOT / 2, y + WEB_BOX / 2 + 4, knot, "label", "middle"))
    height = TOP + WEB_ROW * max((len(each) for each in laid), default=1)
    return svg(chart.title, height, body, "web", width)
