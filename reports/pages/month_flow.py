"""The month's metal, drawn from area to area, from the opening stock to the closing stock."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from config.drawing.charts import Knot, Stream, Streams
from lots.ledger import accounts
from lots.metals import Metal
from lots.models import Account, Place
from lots.units import ug_to_g
from reports.queries.month.metal_flow import ACCOUNT, AREA, metal_flow
from reports.queries.month.month_statement import MonthStatement

_AREA: Final = Place.Area
# The order of work, from left to right (common practice, no source).
_COLUMN: Final = {
    _AREA.FEED_STORE: 1,
    _AREA.QUARANTINE: 1,
    _AREA.MELT_SHOP: 2,
    _AREA.CELL: 3,
    _AREA.ELECTROLYTE: 4,
    _AREA.SLIMES_STORE: 4,
    _AREA.WET_BENCH: 5,
    _AREA.FINE_STORE: 6,
    _AREA.LABORATORY: 6,
    _AREA.WASTE_STORE: 6,
}
_FIRST: Final = 0
_LAST: Final = 7
_OPENING: Final = "opening-stock"
_CLOSING: Final = "closing-stock"
_NAMES: Final = {
    accounts.RECEIVED: "Received",
    accounts.OPENING: "Opening balances",
    accounts.SUPPLIES: "In supplies",
    accounts.SHIPPED: "Shipped",
    accounts.RETURNED: "Returned",
    Account.Kind.LOSS.value: "Losses",
    Account.Kind.DIFFERENCE.value: "Differences",
}
FLOW_NOTE: Final = (
    "Each stream is as wide as its grams; the thinnest are drawn a hair wide. What went "
    "against the order of work, as crystal to be melted or feed made again, runs round below. What "
    "came in or left and was taken back is drawn as the net, and the table has both ways. Moves "
    "within an area are not drawn."
)


def flow_chart(metal: str, statement: MonthStatement) -> Streams | None:
    """The streams of one metal in the month; None when there was neither stock nor movement."""
    streams = list(_streams(metal, statement))
    if not streams:
        return None
    used = {key for each in streams for key in (each.source, each.target)}
    knots = [knot for knot in _knots() if knot.key in used]
    assert len(knots) == len(used), "every area and account has its column"
    title = f"{Metal(metal).label} in {statement.period}, from area to area"
    return Streams(title, "grams", knots, streams)


def _streams(metal: str, statement: MonthStatement) -> Iterator[Stream]:
    held = [each for each in statement.areas if each.metal == metal]
    for each in held:
        if each.opening_ug:
            yield Stream(_OPENING, f"{AREA}-{each.area}", _g(each.opening_ug))
    for stream in metal_flow(statement.period, metal):
        # An account that gives and takes stands on both sides.
        ends = (stream.source, stream.target)
        source, target = (
            f"{kind}-{code}-{side}" if kind == ACCOUNT else f"{kind}-{code}"
            for side, (kind, code) in zip(("gives", "takes"), ends, strict=True)
        )
        if stream.source[0] == stream.target[0] == AREA:
            # Metal that comes back was worked on there: both ways are the month's work.
            yield Stream(source, target, _g(stream.there_ug))
            if stream.back_ug:
                yield Stream(target, source, _g(stream.back_ug))
        else:
            yield Stream(source, target, _g(stream.there_ug), _g(stream.back_ug))
    for each in held:
        if each.closing_ug:
            yield Stream(f"{AREA}-{each.area}", _CLOSING, _g(each.closing_ug))


def _knots() -> Iterator[Knot]:
    """Every end there may be, in the order in which they are drawn."""
    yield Knot(_OPENING, "Opening stock", _FIRST)
    for code, name in _NAMES.items():
        yield Knot(f"{ACCOUNT}-{code}-gives", name, _FIRST)
    for area in _COLUMN:
        yield Knot(f"{AREA}-{area.value}", str(area.label), _COLUMN[area])
    yield Knot(_CLOSING, "Closing stock", _LAST)
    for code, name in _NAMES.items():
        yield Knot(f"{ACCOUNT}-{code}-takes", name, _LAST)


def _g(mass_ug: int) -> float:
    return float(ug_to_g(mass_ug))
