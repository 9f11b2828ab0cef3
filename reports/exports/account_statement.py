"""A customer's statement of account as tables: the metal, line by line, and the money."""

from __future__ import annotations

from collections.abc import Iterator

from reports.conventions import OUNCE_RULE
from reports.exports.moments import span_note
from reports.exports.tables import Column, Kind, Linked, Row, Table
from reports.queries.account_statement import AccountStatement, MetalAccount

_METAL = (
    Column("metal", "Metal", width=8),
    Column("occurred_at", "Occurred", Kind.MOMENT, 17),
    Column("movement", "Movement", Kind.WHOLE, 10),
    Column("line", "What", width=30),
    Column("lots", "Lots", width=30),
    Column("change", "In (+) or out (-)", Kind.MASS, 18),
    Column("balance", "Balance", Kind.MASS, 18),
)
_MONEY = (
    Column("approved_at", "In force", Kind.MOMENT, 17),
    Column("settlement", "Settlement", width=14),
    Column("lot", "Lot", width=14),
    Column("kind", "Kind", width=14),
    Column("currency", "Currency", width=10),
    Column("amount", "Amount", Kind.MONEY, 16, is_totalled=True),
)


def account_tables(account: AccountStatement) -> list[Table]:
    """Metal and money of the period; the closing balance is a live sum of the lines above it."""
    notes = [
        span_note(account.starts_at, account.ends_at),
        account.signs,
        account.deference,
        OUNCE_RULE,
    ]
    money = [
        {
            "approved_at": each.approved_at,
            "settlement": each.settlement,
            "lot": each.lot,
            "kind": each.kind,
            "currency": each.currency,
            "amount": each.amount,
        }
        for each in account.money
    ]
    title = f"Statement of account: {account.customer_name}"
    return [
        Table("Metal", title, _METAL, [*_metal_rows(account.metals)], notes),
        Table("Money", title, _MONEY, money, notes, "currency"),
    ]


def _metal_rows(metals: tuple[MetalAccount, ...]) -> Iterator[Row]:
    for each in metals:
        opening = f"{each.metal}.opening"
        yield {
            "_key": opening,
            "metal": each.metal,
            "line": "At the start",
            "change": each.opening_ug,
            "balance": each.opening_ug,
        }
        keys = [opening]
        for line in each.lines:
            keys.append(f"{each.metal}.{line.movement}")
            yield {
                "_key": keys[-1],
                "metal": each.metal,
                "occurred_at": line.occurred_at,
                "movement": line.movement,
                "line": line.kind,
                "lots": ", ".join(line.lots),
                "change": line.change_ug,
                "balance": line.balance_ug,
            }
        yield {
            "metal": each.metal,
            "line": "At the end",
            "change": Linked(each.closing_ug, [(1, key) for key in keys]),
            "balance": each.closing_ug,
        }
