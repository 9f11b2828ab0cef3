"""A customer's statement of account as tables: the metal and the money, line by line."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from reports.conventions import OUNCE_RULE
from reports.exports.moments import span_note
from reports.exports.tables import Column, Kind, Row, Running, Summed, Table, cells_of
from reports.queries.account_statement import AccountStatement

OPENING = "At the start"
CLOSING = "At the end"
_METAL = (
    Column("metal", "Metal", width=8),
    Column("occurred_at", "Occurred", Kind.MOMENT, 17),
    Column("movement", "Movement", Kind.WHOLE, 10),
    Column("line", "What", width=30, of="kind"),
    Column("lots", "Lots", width=30, of=lambda line: ", ".join(line.lots)),
    Column("change", "In (+) or out (-)", Kind.MASS, 18),
    Column("balance", "Balance", Kind.MASS, 18),
)
_MONEY = (
    Column("currency", "Currency", width=10),
    Column("at", "When", Kind.MOMENT, 17),
    Column("code", "Settlement or payment", width=20),
    Column("what", "What", width=30),
    Column("settlement", "By settlement", width=14),
    Column("lot", "Lot", width=14),
    Column("reference", "Reference", width=30),
    Column("amount", "Due (+) or paid (-)", Kind.MONEY, 18),
    Column("balance", "Balance", Kind.MONEY, 18),
)


def account_tables(account: AccountStatement) -> list[Table]:
    """Metal and money of the period; balances are live sums of the lines above them."""
    span = span_note(account.starts_at, account.ends_at)
    notes = [*filter(None, [account.withheld]), span, account.signs, account.deference]
    title = f"Statement of account: {account.customer_name}"
    metal = [
        row
        for each in account.metals
        for row in _rows(
            {"metal": each.metal},
            ("line", "change"),
            (each.opening_ug, each.closing_ug),
            [(line.movement, cells_of(_METAL[1:], line)) for line in each.lines],
        )
    ]
    money = [
        row
        for each in account.money
        for row in _rows(
            {"currency": each.currency},
            ("what", "amount"),
            (each.opening, each.closing),
            [(line.code, cells_of(_MONEY[1:], line)) for line in each.lines],
        )
    ]
    return [
        Table("Metal", title, _METAL, metal, [*notes, OUNCE_RULE]),
        Table("Money", title, _MONEY, money, [*notes, account.money_rule]),
    ]


def _rows(
    about: Row,
    names: tuple[str, str],
    ends: tuple[Any, Any],
    lines: Iterable[tuple[int | str, Row]],
) -> Iterator[Row]:
    """Opening, lines and closing of one account; each balance is a sum of what is above it."""
    what, change = names
    opening, closing = ends
    stem = "".join(about.values())
    key = first = f"{stem}.opening"
    yield {**about, "_key": key, what: OPENING, change: opening, "balance": opening}
    for name, line in lines:
        before, key = key, f"{stem}.{name}"
        yield {**about, **line, "_key": key, "balance": Running(line["balance"], before, change)}
    summed = Summed(closing, first, change)
    yield {**about, what: CLOSING, change: summed, "balance": summed}
