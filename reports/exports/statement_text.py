"""The month's statement as an aligned table for a terminal: a line per figure, g and ozt."""

from __future__ import annotations

from collections.abc import Iterator

from lots.metals import Metal
from lots.units import ug_to_g
from reports.conventions import ounces_of
from reports.queries.month.month_statement import MetalStatement, MonthStatement

_WIDTH = 46


def statement_text(statement: MonthStatement) -> str:
    """Every metal's statement, accounts that did not move left out."""
    state = f"Month end {statement.period}, {statement.state}"
    blocks = [state, *statement.approval]
    for metal in statement.metals:
        blocks += ["", *_block(metal)]
    if not statement.metals:
        blocks += ["", "No metal was on the books."]
    return "\n".join(blocks)


def _block(metal: MetalStatement) -> Iterator[str]:
    name = f"{Metal(metal.metal).label} ({metal.metal})"
    yield f"{name:<{_WIDTH}}{'g':>20}{'ozt':>18}"
    yield _line("Opening book", metal.opening_ug)
    for line in metal.lines:
        if line.change_ug:
            yield _line(f"  {line.name}", line.change_ug, signed=True)
    yield _line("Closing book", metal.closing_ug)
    if not metal.is_counted:
        yield "Not counted"
        return
    percent = metal.difference_percent
    share = "" if percent is None else f" ({percent} % of throughput)"
    yield _line("Physical inventory", metal.physical_ug)
    yield (
        _line("Inventory difference, book less physical", metal.difference_ug, signed=True) + share
    )
    yield _line("  adjusted on the books", metal.adjusted_ug, signed=True)
    yield _line("  not adjusted", metal.unadjusted_ug, signed=True)


def _line(text: str, mass_ug: int, *, signed: bool = False) -> str:
    sign = "+" if signed else ""
    grams, ounces = ug_to_g(mass_ug), ounces_of(mass_ug)
    return f"{text[: _WIDTH - 1]:<{_WIDTH}}{grams:>{sign}20,.6f}{ounces:>{sign}18,.6f}"
