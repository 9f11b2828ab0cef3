"""What a chart shows: lines with a band and limits, bars, a waterfall, streams, a web.

Every chart has a table alternative made from the same figures, and a unit on each axis.
`chart_drawing` turns one into SVG.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

THIN_SPACE: Final = "\u202f"


@dataclass(frozen=True)
class Series:
    """One line: points (x, y), in the chart's units. `accent` is a CSS class of the stylesheet.

    `apart` draws the points alone, as what was measured now and then.
    """

    name: str
    points: Sequence[tuple[float, float]]
    accent: str = "one"
    dotted: bool = False
    apart: bool = False


@dataclass(frozen=True)
class Band:
    """What surrounds a line, and is coloured as it is: points (x, low, high)."""

    name: str
    points: Sequence[tuple[float, float, float]]
    accent: str = "one"


@dataclass(frozen=True)
class Limit:
    """A level that is not to be crossed."""

    name: str
    value: float


@dataclass(frozen=True)
class LineChart:
    """Lines over one axis; `x_label` and `y_label` carry their units.

    `x_names` names the places 0, 1, 2 … of an axis that has no numbers, such as months.
    """

    title: str
    x_label: str
    y_label: str
    series: Sequence[Series]
    bands: Sequence[Band] = ()
    limits: Sequence[Limit] = ()
    decimals: int = 2
    height: int = 270
    x_names: Sequence[str] = ()


@dataclass(frozen=True)
class Bar:
    """One bar; `plus_minus` is drawn as a whisker on both sides of its end."""

    label: str
    value: float
    plus_minus: float | None = None
    accent: str = "one"


@dataclass(frozen=True)
class BarChart:
    """Horizontal bars from zero, all of one unit."""

    title: str
    unit: str
    bars: Sequence[Bar]
    decimals: int = 3


@dataclass(frozen=True)
class Step:
    """A level (`is_total`, drawn from zero) or a change on the way to the next level."""

    label: str
    value: float
    is_total: bool = False


@dataclass(frozen=True)
class Waterfall:
    """From the opening level by changes to the closing level."""

    title: str
    unit: str
    steps: Sequence[Step]
    decimals: int = 3


@dataclass(frozen=True)
class Knot:
    """Where streams meet: told apart by `key`, shown by `name`, in a column from the left."""

    key: str
    name: str
    column: int


@dataclass(frozen=True)
class Stream:
    """What went from one knot to another, and what of it came `back`; drawn as the net."""

    source: str
    target: str
    there: float
    back: float = 0.0

    @property
    def net(self) -> float:
        return self.there - self.back


@dataclass(frozen=True)
class Streams:
    """Streams of true width from knot to knot, by columns from left to right."""

    title: str
    unit: str
    knots: Sequence[Knot]
    streams: Sequence[Stream]
    decimals: int = 3


@dataclass(frozen=True)
class Web:
    """Knots by name and what went between them: source, target, figure."""

    title: str
    unit: str
    knots: Sequence[str]
    threads: Sequence[tuple[str, str, float]]
    decimals: int = 3


@dataclass(frozen=True)
class ChartTable:
    """The same figures as text."""

    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...] = field(default=())


Chart = LineChart | BarChart | Waterfall | Streams | Web


def tabulate(chart: Chart) -> ChartTable:
    """The table alternative of a chart."""
    if isinstance(chart, BarChart):
        with_spread = any(bar.plus_minus is not None for bar in chart.bars)
        rows = []
        for bar in chart.bars:
            row = [bar.label, number(bar.value, chart.decimals)]
            if with_spread:
                spread = bar.plus_minus
                row.append("" if spread is None else number(spread, chart.decimals))
            rows.append(tuple(row))
        ends = (f"± {chart.unit}",) if with_spread else ()
        return ChartTable(("", chart.unit, *ends), tuple(rows))
    if isinstance(chart, Waterfall):
        return ChartTable(
            ("", chart.unit),
            tuple(
                (step.label, number(step.value, chart.decimals, signed=not step.is_total))
                for step in chart.steps
            ),
        )
    if isinstance(chart, Streams):
        return _tabulate_streams(chart)
    if isinstance(chart, Web):
        return ChartTable(
            ("From", "To", chart.unit),
            tuple((a, b, number(value, chart.decimals)) for a, b, value in chart.threads),
        )
    return _tabulate_lines(chart)


def _tabulate_streams(chart: Streams) -> ChartTable:
    names = {knot.key: knot.name for knot in chart.knots}
    rows = [
        (
            names[each.source],
            names[each.target],
            number(each.there, chart.decimals),
            number(each.back, chart.decimals) if each.back else "",
            number(each.net, chart.decimals),
        )
        for each in chart.streams
    ]
    unit = chart.unit
    return ChartTable(
        ("From", "To", f"There, {unit}", f"Back, {unit}", f"Net, {unit}"), tuple(rows)
    )


def _tabulate_lines(chart: LineChart) -> ChartTable:
    columns: list[tuple[str, dict[float, str]]] = []
    for series in chart.series:
        figures = {x: number(y, chart.decimals) for x, y in series.points}
        columns.append((series.name, figures))
    for band in chart.bands:
        ranges = {
            x: f"{number(low, chart.decimals)} to {number(high, chart.decimals)}"
            for x, low, high in band.points
        }
        columns.append((band.name, ranges))
    xs = sorted({x for _, figures in columns for x in figures})
    headings = (chart.x_label, *(f"{name} ({chart.y_label})" for name, _ in columns))
    rows = [
        (
            chart.x_names[int(x)] if chart.x_names else number(x, chart.decimals),
            *(figures.get(x, "") for _, figures in columns),
        )
        for x in xs
    ]
    limits = [
        (limit.name, number(limit.value, chart.decimals), *("" for _ in columns[1:]))
        for limit in chart.limits
    ]
    return ChartTable(headings, tuple(rows + limits))


def number(value: float, decimals: int, *, signed: bool = False) -> str:
    """A figure with thin spaces between thousands and a real minus sign."""
    sign = "−" if value < 0 else "+" if signed and value > 0 else ""
    return sign + f"{abs(value):,.{decimals}f}".replace(",", THIN_SPACE)
