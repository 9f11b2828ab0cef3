"""The month-end workbook: statement, areas, inventory, losses, counts, claims and movements."""

from __future__ import annotations

from collections.abc import Iterator

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
_AREAS = (
    Column("metal", "Metal", width=8),
    Column("area", "Area", width=20),
    Column("opening", "Opening book", Kind.MASS, 18, is_totalled=True),
    Column("change", "Change", Kind.MASS, 18, is_totalled=True),
    Column("closing", "Closing book", Kind.MASS, 18, is_totalled=True),
    Column("counted_book", "Book of the lots counted", Kind.MASS, 18, is_totalled=True),
    Column("counted", "Counted", Kind.MASS, 18, is_totalled=True),
    Column("difference", "Difference", Kind.MASS, 18, is_totalled=True),
    Column("adjusted", "Adjusted on the books", Kind.MASS, 18, is_totalled=True),
)
_COUNTS = (
    Column("sheet", "Sheet", width=14),
    Column("place", "Place", width=20),
    Column("area", "Area", width=18),
    Column("lot", "Lot", width=14),
    Column("method", "How", width=20),
    Column("metal", "Metal", width=8),
    Column("book", "Book", Kind.MASS, 18, is_totalled=True),
    Column("counted", "Counted", Kind.MASS, 18, is_totalled=True),
    Column("difference", "Difference", Kind.MASS, 18, is_totalled=True),
    Column("spread", "Standard uncertainty", Kind.MASS, 16),
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
        claims_table(pack),
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
    rows = [
        {
            "metal": each.metal,
            "area": each.area_name,
            "opening": each.opening_ug,
            "change": each.change_ug,
            "closing": each.closing_ug,
            "counted_book": each.counted_book_ug if each.is_counted else None,
            "counted": each.counted_ug if each.is_counted else None,
            "difference": each.difference_ug if each.is_counted else None,
            "adjusted": each.adjusted_ug if each.is_counted else None,
        }
        for each in statement.areas
    ]
    notes = [*_state_notes(statement), SIGN_CONVENTION, OUNCE_RULE]
    return Table("Areas", f"Areas {statement.period}", _AREAS, rows, notes, "metal")


def counts_table(statement: MonthStatement) -> Table:
    """Every counted lot, metal by metal."""
    rows = [
        {
            **{column.name: getattr(each, column.name, None) for column in _COUNTS},
            "area": Place.Area(each.area).label,
            "book": each.book_ug,
            "counted": each.counted_ug,
            "difference": each.difference_ug,
            "spread": each.standard_uncertainty_ug,
        }
        for each in statement.counts
    ]
    return Table("Counts", f"Counts {statement.period}", _COUNTS, rows, [SIGN_CONVENTION], "metal")


def claims_table(pack: MonthPack) -> Table:
    """Per owner and metal: the claim at the start, its changes, the claim at the end."""
    rows: list[Row] = []
    for each in pack.claims:
        about = {"owner": each.owner_name, "metal": each.metal}
        stem = f"{each.owner}.{each.metal}"
        opening = "Own position" if each.is_house else "Claim"
        rows.append(
            {
                **about,
                "_key": f"{stem}.start",
                "line": f"{opening} at the start",
                "mass": each.opening_ug,
            }
        )
        rows += [
            {
                **about,
                "_key": f"{stem}.change.{change.kind}",
                "line": change.kind_name,
                "mass": change.change_ug,
            }
            for change in each.changes
        ]
        terms = [
            (1, f"{stem}.start"),
            *((1, f"{stem}.change.{change.kind}") for change in each.changes),
        ]
        rows.append(
            {**about, "line": f"{opening} at the end", "mass": Linked(each.closing_ug, terms)}
        )
        if not each.is_house:
            rows += [
                {**about, "line": "Own lots at the start", "mass": each.apart_opening_ug},
                {**about, "line": "Own lots at the end", "mass": each.apart_closing_ug},
            ]
    period = pack.statement.period
    return Table("Claims", f"Whose metal it is {period}", _CLAIMS, rows, [OUNCE_RULE])


def _state_notes(statement: MonthStatement) -> list[str]:
    state = f"State of the month: {statement.state}."
    if statement.statement_digest:
        state += f" Statement digest (SHA-256): {statement.statement_digest}."
    return [as_of_note(statement.closing.as_of), state]


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
