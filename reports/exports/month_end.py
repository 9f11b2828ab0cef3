"""The month-end workbook: statement, areas, inventory, losses, counts, claims and movements."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from lots.models import Place
from reports.conventions import (
    OUNCE_RULE,
    PERCENT_RULE,
    SIGN_CONVENTION,
    STATEMENT_SIGNS,
    STATEMENT_THROUGHPUT,
    VALUE_RULE,
)
from reports.exports.best_estimate import best_estimate_tables
from reports.exports.inventory import inventory_tables
from reports.exports.losses import loss_tables
from reports.exports.moments import as_of_note
from reports.exports.movements import movements_table
from reports.exports.signature import signature_line, signature_table
from reports.exports.tables import Column, Kind, Linked, Ratio, Row, Table
from reports.queries.month.month_pack import MonthPack
from reports.queries.month.month_statement import MetalStatement, MonthStatement

_STATEMENT = (
    Column("metal", "Metal", width=8),
    Column("line", "Line", width=46),
    Column("mass", "Mass", Kind.MASS, 18),
    Column("throughput", "Throughput", Kind.MASS, 18),
    Column("percent", "Of throughput", Kind.PERCENT, 14, ratio=Ratio("mass", "throughput")),
)


def _counted(name: str, header: str) -> Column:
    """A mass of the count, where there was one."""

    def found(each: Any) -> int | None:
        mass_ug: int = getattr(each, f"{name}_ug")
        return mass_ug if each.is_counted else None

    return Column(name, header, Kind.MASS, 18, is_totalled=True, of=found)


_AREAS = (
    Column("metal", "Metal", width=8),
    Column("area", "Area", width=20, of="area_name"),
    Column("opening", "Opening book", Kind.MASS, 18, is_totalled=True),
    Column("change", "Change", Kind.MASS, 18, is_totalled=True),
    Column("closing", "Closing book", Kind.MASS, 18, is_totalled=True),
    _counted("counted_book", "Book of the lots counted"),
    _counted("counted", "Counted"),
    _counted("difference", "Difference"),
    _counted("adjusted", "Adjusted on the books"),
)
_COUNTS = (
    Column("sheet", "Sheet", width=14),
    Column("place", "Place", width=20),
    Column("area", "Area", width=18, of=lambda each: Place.Area(each.area).label),
    Column("lot", "Lot", width=14),
    Column("method", "How", width=20),
    Column("metal", "Metal", width=8),
    Column("book", "Book", Kind.MASS, 18, is_totalled=True),
    Column("counted", "Counted", Kind.MASS, 18, is_totalled=True),
    Column("difference", "Difference", Kind.MASS, 18, is_totalled=True),
    Column("spread", "Standard uncertainty", Kind.MASS, 16, of="standard_uncertainty_ug"),
    Column("adjustment", "Adjustment", width=14),
    Column("cause", "Cause", width=20),
    Column("counted_by", "Counted by", width=16),
)
_CLAIMS = (
    Column("owner", "Owner", width=26),
    Column("metal", "Metal", width=8),
    Column("line", "Line", width=40),
    Column("mass", "Mass", Kind.MASS, 18),
)
_READ_ME = (Column("line", "Read me first", width=120),)


def month_end_tables(pack: MonthPack) -> list[Table]:
    """Every sheet of the workbook, in the order in which it is read."""
    period = pack.statement.period
    return [
        _read_me(pack),
        statement_table(pack.statement),
        areas_table(pack.statement),
        *inventory_tables(pack.statement.closing),
        *loss_tables(pack.losses),
        counts_table(pack.statement),
        *claims_tables(pack),
        *([] if pack.estimate is None else best_estimate_tables(pack.estimate, pack.differences)),
        movements_table(period.starts_at, period.ends_at, pack.movements),
        signature_table(str(period), pack.signed),
    ]


def statement_table(statement: MonthStatement) -> Table:
    """Per metal: opening, each account's change, closing book as a live sum, count, difference."""
    return Table(
        "Statement",
        f"Month-end statement {statement.period}",
        _STATEMENT,
        [row for metal in statement.metals for row in _statement_rows(metal)],
        [
            *_state_notes(statement),
            SIGN_CONVENTION,
            STATEMENT_SIGNS,
            STATEMENT_THROUGHPUT,
            PERCENT_RULE,
            OUNCE_RULE,
        ],
    )


def _statement_rows(each: MetalStatement) -> Iterator[Row]:
    def row(key: str, text: str, mass: int | Linked | None, throughput: int | None = None) -> Row:
        return {
            "_key": f"{each.metal}.{key}",
            "metal": each.metal,
            "line": text,
            "mass": mass,
            "throughput": throughput,
        }

    def linked(mass_ug: int, *terms: tuple[int, str]) -> Linked:
        return Linked(mass_ug, [(sign, f"{each.metal}.{key}") for sign, key in terms])

    yield row("opening", "Opening book", each.opening_ug)
    for line in each.lines:
        yield row(f"account.{line.account}", line.name, line.change_ug)
    changes = [(1, f"account.{line.account}") for line in each.lines]
    yield row("closing", "Closing book", linked(each.closing_ug, (1, "opening"), *changes))
    if not each.is_counted:
        yield row("uncounted", "Not counted", None)
        return
    yield row("counted_book", "Book of the lots counted, when counted", each.counted_book_ug)
    yield row("counted", "Physical count of those lots", each.counted_ug)
    yield row(
        "difference",
        "Inventory difference (book less physical)",
        linked(each.difference_ug, (1, "counted_book"), (-1, "counted")),
        each.throughput_ug,
    )
    yield row("adjusted", "Difference already adjusted in the closing book", each.adjusted_ug)
    yield row(
        "unadjusted",
        "Difference not adjusted",
        linked(each.unadjusted_ug, (1, "difference"), (-1, "adjusted")),
    )
    yield row(
        "physical",
        "Physical inventory (closing book less difference not adjusted)",
        linked(each.physical_ug, (1, "closing"), (-1, "unadjusted")),
    )


def areas_table(statement: MonthStatement) -> Table:
    """Per metal and area: book at both ends, and what the count there found."""
    notes = [*_state_notes(statement), SIGN_CONVENTION, OUNCE_RULE]
    return Table("Areas", f"Areas {statement.period}", _AREAS, statement.areas, notes, "metal")


def counts_table(statement: MonthStatement) -> Table:
    """Every counted lot, metal by metal."""
    title = f"Counts {statement.period}"
    notes = [SIGN_CONVENTION, *statement.approval]
    return Table("Counts", title, _COUNTS, statement.counts, notes, "metal")


def claims_tables(pack: MonthPack) -> list[Table]:
    """Per owner and metal: the claim at the start, its changes, the claim at the end."""
    rows: list[Row] = []
    for each in pack.claims:
        about = {"owner": each.owner_name, "metal": each.metal}
        stem = f"{each.owner}.{each.metal}"
        opening = "Own position" if each.is_house else "Claim"
        lines = [("start", f"{opening} at the start", each.opening_ug)]
        lines += [(f"change.{one.kind}", one.kind_name, one.change_ug) for one in each.changes]
        rows += [
            {**about, "_key": f"{stem}.{key}", "line": line, "mass": mass}
            for key, line, mass in lines
        ]
        closing = Linked(each.closing_ug, [(1, f"{stem}.{key}") for key, _, _ in lines])
        rows.append({**about, "line": f"{opening} at the end", "mass": closing})
        if not each.is_house:
            rows += [
                {**about, "line": "Own lots at the start", "mass": each.apart_opening_ug},
                {**about, "line": "Own lots at the end", "mass": each.apart_closing_ug},
            ]
    period = pack.statement.period
    return [Table("Claims", f"Whose metal it is {period}", _CLAIMS, rows, [OUNCE_RULE])]


def _state_notes(statement: MonthStatement) -> list[str]:
    state = f"State of the month: {statement.state}."
    if statement.statement_digest:
        state += f" Statement digest (SHA-256): {statement.statement_digest}."
    return [as_of_note(statement.closing.as_of), state, *statement.approval]


def _read_me(pack: MonthPack) -> Table:
    lines = [
        *_state_notes(pack.statement),
        signature_line(pack.signed),
        SIGN_CONVENTION,
        STATEMENT_SIGNS,
        STATEMENT_THROUGHPUT,
        OUNCE_RULE,
        PERCENT_RULE,
        "Totals, ounces and percentages are formulas; they are worked out when the workbook opens.",
        *([VALUE_RULE] if pack.losses.currency else []),
    ]
    return Table(
        "Read me first",
        f"Month end {pack.statement.period}",
        _READ_ME,
        [{"line": line} for line in lines],
    )
