"""Which SVG shows streams between knots in columns? Width is the figure, to one scale."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from html import escape
from typing import Final

from config.drawing.charts import Stream, Streams, number
from config.drawing.svg_marks import WIDE, check_finite, rect, ribbon, svg, text_at

COLUMN: Final = 116
# The last column's labels end at its knots: so much more room than a column's it needs for them.
LAST_COLUMN: Final = 56
KNOT: Final = 12
SIDE: Final = 40.0
# What the fullest column's streams take together, and the room above a knot for its two lines.
BODY: Final = 230.0
GAP: Final = 40.0
# Nothing that moved is too thin to be seen.
THINNEST: Final = 1.0
# How far a stream that goes back swings out, and what lies between two of them.
SWING: Final = 34.0
LANE_GAP: Final = 5.0


@dataclass
class _Spot:
    """Where a knot is drawn, and how far down its two sides are taken."""

    x: float
    top: float
    size: float
    left: float = 0.0
    right: float = 0.0


def draw_streams(chart: Streams) -> str:
    """Streams to the right are ribbons; those that go back run round below."""
    check_finite([value for each in chart.streams for value in (each.there, each.back)])
    drawn = [each for each in chart.streams if each.net > 0]
    spots, scale, bottom = _spots(chart, drawn)
    order = {key: index for index, key in enumerate(spots)}
    drawn.sort(key=lambda each: (order[each.source], order[each.target]))
    ends = _ends(drawn, spots, order, scale)
    body = []
    lane = bottom + 14
    for each in drawn:
        leaves, enters, width = ends[id(each)]
        begin, end = spots[each.source], spots[each.target]
        if begin.x < end.x:
            mark = ribbon((begin.x + KNOT, leaves), (end.x, enters), width, "stream came")
        else:
            lane += width / 2
            mark = _round(
                (begin.x + KNOT, leaves + width / 2), (end.x, enters + width / 2), lane, width
            )
            lane += width / 2 + LANE_GAP
        body.append(f"<g><title>{escape(_said(chart, each))}</title>{mark}</g>")
    last = max((spot.x for spot in spots.values()), default=0.0)
    flows = _sizes(drawn)
    for knot in chart.knots:
        if knot.key not in spots:
            continue
        spot = spots[knot.key]
        body.append(rect(spot.x, spot.top, KNOT, max(spot.size, THINNEST), "total"))
        is_last = spot.x == last
        x, anchor = (spot.x + KNOT, "end") if is_last else (spot.x, "start")
        figure = number(flows[knot.key], chart.decimals)
        body.append(text_at(x, spot.top - 19, knot.name, "label halo", anchor))
        body.append(text_at(x, spot.top - 5, figure, "figure halo", anchor))
    width = max([WIDE, *(round(spot.x + KNOT + SIDE) for spot in spots.values())])
    body.append(text_at(width - 8, lane + 18, chart.unit, "axis", "end"))
    return svg(chart.title, lane + 26, body, "streams", width)


def _sizes(drawn: list[Stream]) -> dict[str, float]:
    """What passes each knot: the larger of what comes and what leaves."""
    came: dict[str, float] = defaultdict(float)
    left: dict[str, float] = defaultdict(float)
    for each in drawn:
        left[each.source] += each.net
        came[each.target] += each.net
    return {key: max(came[key], left[key]) for key in {*came, *left}}


def _spots(chart: Streams, drawn: list[Stream]) -> tuple[dict[str, _Spot], float, float]:
    """Every knot's place, column by column; the units a figure takes; the lowest edge."""
    sizes = _sizes(drawn)
    columns: dict[int, list[str]] = defaultdict(list)
    for knot in chart.knots:
        if knot.key in sizes:
            columns[knot.column].append(knot.key)
    fullest = max((sum(sizes[key] for key in keys) for keys in columns.values()), default=0.0)
    scale = BODY / fullest if fullest else 0.0
    spots: dict[str, _Spot] = {}
    bottom = 0.0
    # A column in which nothing moved takes no room.
    for index, column in enumerate(sorted(columns)):
        top = 0.0
        for key in columns[column]:
            top += GAP
            x = SIDE + index * COLUMN + (LAST_COLUMN if column == max(columns) else 0)
            spots[key] = _Spot(x, top, sizes[key] * scale)
            top += max(sizes[key] * scale, THINNEST)
        bottom = max(bottom, top)
    return spots, scale, bottom


def _ends(
    drawn: list[Stream], spots: dict[str, _Spot], order: dict[str, int], scale: float
) -> dict[int, tuple[float, float, float]]:
    """Each stream's upper edge where it leaves and where it enters, and its width.

    Those that go back are lowest on both sides, so that they cross the fewest.
    """

    def goes_back(each: Stream) -> bool:
        return spots[each.source].x >= spots[each.target].x

    leaves, enters = {}, {}
    for each in sorted(drawn, key=lambda each: (goes_back(each), order[each.target])):
        spot = spots[each.source]
        leaves[id(each)] = spot.top + spot.right
        spot.right += each.net * scale
    for each in sorted(drawn, key=lambda each: (goes_back(each), order[each.source])):
        spot = spots[each.target]
        enters[id(each)] = spot.top + spot.left
        spot.left += each.net * scale
    return {
        id(each): (leaves[id(each)], enters[id(each)], max(each.net * scale, THINNEST))
        for each in drawn
    }


def _round(begin: tuple[float, float], end: tuple[float, float], lane: float, width: float) -> str:
    """A band by its middle line: out to the right, back along the lane, in from the left."""
    (x1, y1), (x2, y2) = begin, end
    return (
        f'<path class="stream back" stroke-width="{width:.1f}" d="M{x1:.1f},{y1:.1f} '
        f"C{x1 + SWING:.1f},{y1:.1f} {x1 + SWING:.1f},{lane:.1f} {x1:.1f},{lane:.1f} "
        f"L{x2:.1f},{lane:.1f} C{x2 - SWING:.1f},{lane:.1f} {x2 - SWING:.1f},{y2:.1f} "
        f'{x2:.1f},{y2:.1f}"/>'
    )


def _said(chart: Streams, each: Stream) -> str:
    names = {knot.key: knot.name for knot in chart.knots}
    figure = number(each.net, chart.decimals)
    return f"{names[each.source]} to {names[each.target]}: {figure} {chart.unit}"
