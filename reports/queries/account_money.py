"""A customer's money: what settlements in force made due, what was paid, and what is left."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, replace
from decimal import Decimal
from enum import StrEnum

from lots.models import Party
from reports.models import Payment, Settlement


class MoneyKind(StrEnum):
    SETTLEMENT = "settlement"
    PAYMENT = "payment"


@dataclass(frozen=True)
class MoneyLine:
    """A settlement that came into force, or a payment, and the balance after it.

    `code` is that of the settlement or the payment; `settlement` and `lot` are what it is about,
    where it is about one. A settlement's `amount` is what it changed against the one before.
    """

    at: dt.datetime
    kind: MoneyKind
    code: str
    what: str
    settlement: str
    lot: str
    reference: str
    amount: Decimal
    balance: Decimal


@dataclass(frozen=True)
class MoneyAccount:
    """One currency: opening + settled + paid + received = closing, to the last decimal.

    `paid` is below nought: what was paid to the customer is no longer due to them.
    """

    currency: str
    opening: Decimal
    settled: Decimal
    paid: Decimal
    received: Decimal
    closing: Decimal
    lines: tuple[MoneyLine, ...]


@dataclass(frozen=True)
class SettlementPayments:
    """What was paid by the settlements of one lot, and what by the one in force is left to pay."""

    payments: tuple[Payment, ...]
    due: Decimal
    paid: Decimal
    left: Decimal
    currency: str


@dataclass(frozen=True)
class _Found:
    """A line as it is read, before balances are known."""

    order: tuple[dt.datetime, int, int]
    currency: str
    line: MoneyLine


def money_accounts(
    customer: Party, starts_at: dt.datetime, ends_at: dt.datetime
) -> tuple[MoneyAccount, ...]:
    """The customer's money from `starts_at` up to, not including, `ends_at`, by currency."""
    by_currency: dict[str, list[_Found]] = defaultdict(list)
    for found in [*_settled(customer, ends_at), *_paid(customer, ends_at)]:
        by_currency[found.currency].append(found)
    accounts = []
    for currency, lines in sorted(by_currency.items()):
        account = _account(currency, sorted(lines, key=lambda each: each.order), starts_at)
        if account.lines or account.closing:
            accounts.append(account)
    return tuple(accounts)


def settlement_payments(settlement: Settlement) -> SettlementPayments:
    """What was paid against any settlement of the lot, beside what is due by the one in force."""
    of_lot = Settlement.objects.filter(lot=settlement.lot_id, currency=settlement.currency)
    in_force = of_lot.filter(state=Settlement.State.APPROVED).first()
    due = exact(in_force.total) if in_force else Decimal(0)
    payments = tuple(
        Payment.objects.filter(settlement__in=of_lot)
        .select_related("settlement", "reverses", "reversed_by")
        .order_by("paid_at", "pk")
    )
    changed = sum((each.change for each in payments), Decimal(0))
    return SettlementPayments(
        payments, due, exact(-changed), exact(due + changed), settlement.currency
    )


def exact(amount: Decimal) -> Decimal:
    """The same amount with two decimals, or as many more as it needs; nought has no sign."""
    decimals = max(2, -int(amount.normalize().as_tuple().exponent))
    return amount.quantize(Decimal(1).scaleb(-decimals)) + 0


def _account(currency: str, found: Iterable[_Found], starts_at: dt.datetime) -> MoneyAccount:
    opening = balance = Decimal(0)
    sums: dict[str, Decimal] = defaultdict(Decimal)
    lines = []
    for each in found:
        balance += each.line.amount
        if each.line.at < starts_at:
            opening = balance
            continue
        lines.append(_with_balance(each.line, balance))
        is_settled = each.line.kind == MoneyKind.SETTLEMENT
        sums["settled" if is_settled else "paid" if each.line.amount < 0 else "received"] += (
            each.line.amount
        )
    assert opening + sum(sums.values()) == balance, "the lines lead to the closing balance"
    return MoneyAccount(
        currency=currency,
        opening=exact(opening),
        settled=exact(sums["settled"]),
        paid=exact(sums["paid"]),
        received=exact(sums["received"]),
        closing=exact(balance),
        lines=tuple(lines),
    )


def _with_balance(line: MoneyLine, balance: Decimal) -> MoneyLine:
    return replace(line, amount=exact(line.amount), balance=exact(balance))


def _settled(customer: Party, ends_at: dt.datetime) -> Iterable[_Found]:
    rows = Settlement.objects.filter(customer=customer, approved_at__lt=ends_at)
    for row in rows.select_related("lot", "supersedes").order_by("approved_at", "pk"):
        assert row.approved_at is not None
        changes = {row.currency: row.total}
        if row.supersedes is not None:
            before = row.supersedes
            changes[before.currency] = changes.get(before.currency, Decimal(0)) - before.total
        for currency, amount in changes.items():
            yield _Found(
                (row.approved_at, 0, row.pk),
                currency,
                MoneyLine(
                    at=row.approved_at,
                    kind=MoneyKind.SETTLEMENT,
                    code=row.code,
                    what=f"{row.get_kind_display()} settlement",
                    settlement=row.code,
                    lot=row.lot.code,
                    reference="",
                    amount=amount,
                    balance=Decimal(0),
                ),
            )


def _paid(customer: Party, ends_at: dt.datetime) -> Iterable[_Found]:
    rows = Payment.objects.filter(customer=customer, paid_at__lt=ends_at)
    for row in rows.select_related("settlement__lot", "reverses").order_by("paid_at", "pk"):
        yield _Found(
            (row.paid_at, 1, row.pk),
            row.currency,
            MoneyLine(
                at=row.paid_at,
                kind=MoneyKind.PAYMENT,
                code=row.code,
                what=what_of(row),
                settlement=row.settlement.code if row.settlement else "",
                lot=row.settlement.lot.code if row.settlement else "",
                reference=row.reference,
                amount=row.change,
                balance=Decimal(0),
            ),
        )


def what_of(payment: Payment) -> str:
    """What the payment is, in words."""
    if payment.reverses is not None:
        return f"Takes back {payment.reverses.code}"
    return payment.get_direction_display()
