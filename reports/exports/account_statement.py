"""A customer's statement of account as tables: the metal and the money, line by line."""

from __future__ import annotations

from collections.abc import Iterator

from reports.conventions import OUNCE_RULE
from reports.exports.moments import span_note
from reports.exports.tables import Column, Kind, Row, Running, Summed, Table
from reports.queries.account_money import MoneyAccount
from reports.queries.account_statement import AccountStatement, MetalAccount

OPENING = "At the start"
CLOSING = "At the end"
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
    return [
        Table("Metal", title, _METAL, [*_metal_rows(account.metals)], [*notes, OUNCE_RULE]),
        Table("Money", title, _MONEY, [*_money_rows(account.money)], [*notes, account.money_rule]),
    ]


def _metal_rows(metals: tuple[MetalAccount, ...]) -> Iterator[Row]:
    for each in metals:
        key = first = f"{each.metal}.opening"
        yield {
            "_key": key,
            "metal": each.metal,
            "line": OPENING,
            "change": each.opening_ug,
            "balance": each.opening_ug,
        }
        for line in each.lines:
            before, key = key, f"{each.metal}.{line.movement}"
            yield {
                "_key": key,
                "metal": each.metal,
                "occurred_at": line.occurred_at,
                "movement": line.movement,
                "line": line.kind,
                "lots": ", ".join(line.lots),
                "change": line.change_ug,
                "balance": Running(line.balance_ug, before, "change"),
            }
        yield {
            "metal": each.metal,
            "line": CLOSING,
            "change": Summed(each.closing_ug, first, "change"),
            "balance": Summed(each.closing_ug, first, "change"),
        }


def _money_rows(money: tuple[MoneyAccount, ...]) -> Iterator[Row]:
    for each in money:
        key = first = f"{each.currency}.opening"
        yield {
            "_key": key,
            "currency": each.currency,
            "what": OPENING,
            "amount": each.opening,
            "balance": each.opening,
        }
        for line in each.lines:
            before, key = key, f"{each.currency}.{line.code}"
            yield {
                "_key": key,
                "currency": each.currency,
                "at": line.at,
                "code": line.code,
                "what": line.what,
                "settlement": line.settlement,
                "lot": line.lot,
                "reference": line.reference,
                "amount": line.amount,
                "balance": Running(line.balance, before, "amount"),
            }
        yield {
            "currency": each.currency,
            "what": CLOSING,
            "amount": Summed(each.closing, first, "amount"),
            "balance": Summed(each.closing, first, "amount"),
        }
